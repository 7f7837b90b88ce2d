"""What the bench should do: steps by kind, the cheaper way, limited attempts."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from results import flag

from elinspect.catalogue import Message
from elinspect.criteria import AcceptanceCriteria, ReworkRules, StepCost, SwapRule, default_criteria
from elinspect.errors import SettingsFileError
from elinspect.recipe import ProductRecipe, read_criteria
from elinspect.records import Disposition, Flag, Kind, Proposal, ReworkAction, ReworkPlan
from elinspect.synthetic.products import product_recipe
from elinspect.triage import plan_rework, with_limits
from elinspect.triage.rework import ACTIONS

FULL, HALF = product_recipe("mono_6x10"), product_recipe("half_cut_2x6x12")
REWORK = Proposal(Disposition.REWORK, (Message("proposal.no_flags"),))
COSTS = {
    ReworkAction.SWAP_STRING: StepCost(10.0, 12.0),
    ReworkAction.REPLACE_CELL: StepCost(6.0, 2.0),
    ReworkAction.RESOLDER_RIBBON: StepCost(2.0),
}
BY_COSTS = replace(default_criteria(), rework=ReworkRules(rule=SwapRule.COSTS, costs=COSTS))


def _flags(*what: tuple[Kind, int | None, int | None]) -> list[Flag]:
    plain = Message("flag.plain", {"kind": "crack", "address": "1-2"})
    made = [
        flag(
            f"m{i}", kind, string=string, position=position, message=plain, limit=None, measurements={}, length_mm=None
        )
        for i, (kind, string, position) in enumerate(what)
    ]
    return list(with_limits(made, default_criteria(), None))


def _plan(
    *what: tuple[Kind, int | None, int | None],
    recipe: ProductRecipe = FULL,
    criteria: AcceptanceCriteria | None = None,
    attempt: int = 1,
) -> ReworkPlan:
    plan = plan_rework(_flags(*what), REWORK, recipe, criteria or default_criteria(), attempt)
    assert plan is not None
    return plan


def _done(plan: ReworkPlan) -> list[tuple[ReworkAction, int | None, int | None]]:
    return [(step.action, step.string, step.position) for step in plan.steps]


@pytest.mark.parametrize("kind", [kind for kind in Kind if kind is not Kind.MATERIAL_PATTERN])
def test_every_kind_has_its_step_in_words(kind: Kind) -> None:
    whole = kind in (Kind.OPEN_CIRCUIT, Kind.BUSSING_JOINT_FAULT)
    string, position = (None, None) if whole else (2, None if kind.endswith("_string") else 3)
    flags = [replace(each, limit=each.limit or "crack.any") for each in _flags((kind, string, position))]
    plan = plan_rework(flags, REWORK, FULL, default_criteria(), 1)
    assert plan is not None
    assert plan.steps[-1].action is ACTIONS[kind]
    assert all(step.text.text for step in plan.steps)
    if not whole:
        assert "B" in plan.steps[-1].text.text, "the plant's own address"


def test_two_bad_cells_are_replaced_and_three_swap_the_string() -> None:
    cracks = [(Kind.CRACK, 2, position) for position in (1, 5, 9)]
    assert _done(_plan(*cracks[:2])) == [(ReworkAction.REPLACE_CELL, 2, 1), (ReworkAction.REPLACE_CELL, 2, 5)]
    swap = _plan(*cracks)
    assert _done(swap) == [(ReworkAction.SWAP_STRING, 2, None)]
    assert swap.steps[0].flags == ("m0", "m1", "m2")
    assert swap.steps[0].text.text == "Swap string B: 3 bad cells, the plant's rule replaces at most 2."


def test_two_flags_of_one_cell_are_one_bad_cell() -> None:
    plan = _plan((Kind.CRACK, 2, 1), (Kind.INACTIVE_AREA, 2, 1), (Kind.CRACK, 2, 2))
    assert _done(plan) == [(ReworkAction.REPLACE_CELL, 2, 1), (ReworkAction.REPLACE_CELL, 2, 2)]
    assert plan.steps[0].flags == ("m0", "m1")


def test_a_new_cell_or_string_needs_no_resoldering_but_a_foreign_body_still_goes() -> None:
    everything = [(kind, 2, 1) for kind in (Kind.CRACK, Kind.SOLDER_FAULT, Kind.MISPLACED_CELL, Kind.FOREIGN_BODY)]
    assert _done(_plan(*everything)) == [(ReworkAction.REMOVE_FOREIGN_BODY, 2, 1), (ReworkAction.REPLACE_CELL, 2, 1)]
    assert _done(_plan((Kind.SOLDER_FAULT, 2, 1))) == [(ReworkAction.RESOLDER_RIBBON, 2, 1)]


def test_half_cells_with_many_wires_swap_the_string_at_once() -> None:
    assert _done(_plan((Kind.CRACK, 8, 3), recipe=HALF)) == [(ReworkAction.SWAP_STRING, 8, None)]
    few = replace(HALF, cell=replace(HALF.cell, busbars=5))
    assert _done(_plan((Kind.CRACK, 8, 3), recipe=few)) == [(ReworkAction.REPLACE_CELL, 8, 3)]


@given(st.integers(1, 9))
def test_the_cheaper_way_by_the_plants_costs(bad: int) -> None:
    plan = _plan(*((Kind.CRACK, 4, position) for position in range(1, bad + 1)), criteria=BY_COSTS)
    # A string costs 10 + 12, a cell 6 + 2: two cells are cheaper, three are not.
    assert (plan.steps[0].action is ReworkAction.SWAP_STRING) == (8 * bad > 22)
    assert plan.minutes == (10.0 if bad > 2 else 6.0 * bad)


def test_minutes_are_unknown_where_the_plant_gave_none() -> None:
    assert _plan((Kind.CRACK, 1, 1)).minutes is None
    assert _plan((Kind.CRACK, 1, 1), (Kind.FOREIGN_BODY, 2, 2), criteria=BY_COSTS).minutes is None


@pytest.mark.parametrize(("attempt", "left"), [(1, 2), (2, 1), (3, 0), (7, 0)])
def test_reworks_are_limited(attempt: int, left: int) -> None:
    plan = _plan((Kind.CRACK, 1, 1), attempt=attempt)
    assert plan.reworks_left == left
    assert (plan.steps[0].action is ReworkAction.HOLD) == (left == 0)


def test_an_open_circuit_starts_with_the_probes() -> None:
    assert _done(_plan((Kind.OPEN_CIRCUIT, None, None))) == [
        (ReworkAction.RETAKE, None, None),
        (ReworkAction.RESOLDER_BUSSING_JOINT, None, None),
    ]


def test_an_image_nobody_can_judge_by_is_taken_again_and_accept_needs_no_plan() -> None:
    held = Proposal(Disposition.HOLD, (Message("proposal.not_usable"),))
    for flags in ([], _flags((Kind.CRACK, 1, 1))):
        plan = plan_rework(flags, held, FULL, default_criteria(), 1)
        assert plan is not None
        assert [step.action for step in plan.steps] == [ReworkAction.RETAKE]
    accepted = Proposal(Disposition.ACCEPT, (Message("proposal.no_flags"),))
    assert plan_rework([], accepted, FULL, default_criteria(), 1) is None


def test_costs_that_are_needed_must_be_given(tmp_path) -> None:
    path = tmp_path / "limits.toml"
    path.write_text("name = 'n'\nversion = '1'\n[rework]\nrule = 'costs'\n", encoding="utf-8")
    with pytest.raises(SettingsFileError, match=r"limits\.toml is wrong at rework: .*swap_string"):
        read_criteria(path)
