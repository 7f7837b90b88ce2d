"""What the bench should do about a panel: steps in order, the cheaper way by the plant's rule."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence

from elinspect.catalogue import Message, Value
from elinspect.criteria import AcceptanceCriteria, ReworkRules, SwapRule
from elinspect.recipe import CutEdge, ProductRecipe, write_address
from elinspect.records import (
    Disposition,
    Flag,
    Kind,
    Proposal,
    ReworkAction,
    ReworkPlan,
    ReworkStep,
)
from elinspect.triage.limits import suggested_by

ACTIONS: dict[Kind, ReworkAction] = {
    Kind.CRACK: ReworkAction.REPLACE_CELL,
    Kind.INACTIVE_AREA: ReworkAction.REPLACE_CELL,
    Kind.DARK_CELL: ReworkAction.REPLACE_CELL,
    Kind.FINGER_INTERRUPTION: ReworkAction.REPLACE_CELL,
    Kind.CHIPPED_CELL: ReworkAction.REPLACE_CELL,
    Kind.MATERIAL_PATTERN: ReworkAction.REPLACE_CELL,
    Kind.REVERSED_CELL: ReworkAction.TURN_CELL,
    Kind.SOLDER_FAULT: ReworkAction.RESOLDER_RIBBON,
    Kind.RIBBON_OFFSET: ReworkAction.RESOLDER_RIBBON,
    Kind.MISPLACED_CELL: ReworkAction.REALIGN,
    Kind.FOREIGN_BODY: ReworkAction.REMOVE_FOREIGN_BODY,
    Kind.DARK_STRING: ReworkAction.RESOLDER_BUSSING_JOINT,
    Kind.BRIDGED_STRING: ReworkAction.RESOLDER_BUSSING_JOINT,
    Kind.BUSSING_JOINT_FAULT: ReworkAction.RESOLDER_BUSSING_JOINT,
    Kind.OPEN_CIRCUIT: ReworkAction.RESOLDER_BUSSING_JOINT,
    Kind.OTHER: ReworkAction.HOLD,
}
"""What is done about each kind; common practice, no source."""

_DONE_WITH_THE_CELL = frozenset(
    {ReworkAction.REPLACE_CELL, ReworkAction.TURN_CELL, ReworkAction.RESOLDER_RIBBON, ReworkAction.REALIGN}
)
"""What need not be done any more once the cell or its string is a new one."""

_ORDER = {action: number for number, action in enumerate(ReworkAction)}
_Place = tuple[int | None, int | None]


def plan_rework(
    flags: Sequence[Flag], proposal: Proposal, recipe: ProductRecipe, criteria: AcceptanceCriteria, attempt: int
) -> ReworkPlan | None:
    """Plan the rework of a panel.

    Parameters
    ----------
    flags : sequence of Flag
        Those that stand; only flags that reach a limit are planned for.
    proposal : Proposal
        A hold that no flag asks for (an image nobody can judge by) asks for a new picture.
    recipe : ProductRecipe
        Cell format, addresses.
    criteria : AcceptanceCriteria
        As in force for the product.
    attempt : int
        Which gate inspection this is: one more than the reworks that were done.

    Returns
    -------
    ReworkPlan or None
        None where accept is proposed. Hold for engineering where the plant's rule allows no further rework.
    """
    if proposal.disposition is Disposition.ACCEPT:
        return None
    left = max(criteria.rework.max_reworks - (attempt - 1), 0)
    reached = [flag for flag in flags if flag.limit is not None]
    asked = {suggested_by(flag.limit, criteria) for flag in reached if flag.limit is not None}
    not_judged = proposal.disposition is Disposition.HOLD and Disposition.HOLD not in asked
    if not reached or not_judged:
        steps = [ReworkStep(ReworkAction.RETAKE, None, None, (), Message("rework.retake"))]
    elif left == 0:
        every = tuple(flag.id for flag in reached)
        text = Message("rework.hold_attempts", {"n": attempt - 1, "most": criteria.rework.max_reworks})
        steps = [ReworkStep(ReworkAction.HOLD, None, None, every, text)]
    else:
        steps = list(_steps(reached, recipe, criteria))
    timed = [_timed(step, criteria.rework) for step in sorted(steps, key=_when)]
    known = [step.minutes for step in timed if step.minutes is not None]
    return ReworkPlan(tuple(timed), sum(known) if len(known) == len(timed) else None, left)


def _steps(reached: Sequence[Flag], recipe: ProductRecipe, criteria: AcceptanceCriteria) -> Iterator[ReworkStep]:
    by_action: dict[tuple[ReworkAction, _Place], list[Flag]] = defaultdict(list)
    for flag in reached:
        assert flag.limit is not None
        held = suggested_by(flag.limit, criteria) is Disposition.HOLD
        action = ReworkAction.HOLD if held else ACTIONS[flag.kind]
        by_action[action, (flag.string, flag.position)].append(flag)
        if flag.kind is Kind.OPEN_CIRCUIT:
            # What looks like an open joint may be a probe without contact: that costs a minute to find out.
            yield ReworkStep(ReworkAction.RETAKE, None, None, (flag.id,), Message("rework.check_probes"))
    replaced = {place for action, place in by_action if action is ReworkAction.REPLACE_CELL}
    swapped = set(_swapped_strings(replaced, recipe, criteria.rework))
    for string in sorted(swapped):
        yield _swap(string, reached, replaced, recipe, criteria.rework)
    for (action, place), here in by_action.items():
        new_cell = place[0] in swapped or (place in replaced and action is not ReworkAction.REPLACE_CELL)
        if not (action in _DONE_WITH_THE_CELL and new_cell):
            yield _step(action, place, here, reached, recipe)


def _swapped_strings(replaced: Iterable[_Place], recipe: ProductRecipe, rules: ReworkRules) -> Iterator[int]:
    by_string: dict[int, int] = defaultdict(int)
    for string, _ in replaced:
        if string is not None:
            by_string[string] += 1
    for string, count in by_string.items():
        if rules.rule is SwapRule.COSTS:
            swap, cell = (_cost(action, rules) for action in (ReworkAction.SWAP_STRING, ReworkAction.REPLACE_CELL))
            if swap < count * cell:
                yield string
        elif count > rules.most_cells_replaced or _hard_to_replace(recipe, rules):
            yield string


def _cost(action: ReworkAction, rules: ReworkRules) -> float:
    cost = rules.costs[action]
    return cost.minutes * rules.cost_per_minute + cost.material


def _hard_to_replace(recipe: ProductRecipe, rules: ReworkRules) -> bool:
    half_cut = recipe.cell.cut_edge is not CutEdge.NONE
    return rules.swap_multi_wire_half_cells and half_cut and recipe.cell.busbars >= rules.multi_wire_from


def _swap(
    string: int, reached: Sequence[Flag], replaced: Iterable[_Place], recipe: ProductRecipe, rules: ReworkRules
) -> ReworkStep:
    count = sum(place[0] == string for place in replaced)
    done = [
        flag.id
        for flag in reached
        if flag.string == string and flag.position is not None and ACTIONS[flag.kind] in _DONE_WITH_THE_CELL
    ]
    values: dict[str, Value] = {"address": write_address(recipe.addresses, string, None), "n": count}
    if rules.rule is SwapRule.COSTS:
        code = "rework.swap_costs"
    elif count > rules.most_cells_replaced:
        code, values = "rework.swap_count", {**values, "most": rules.most_cells_replaced}
    else:
        code = "rework.swap_multi_wire"
    return ReworkStep(ReworkAction.SWAP_STRING, string, None, tuple(done), Message(code, values))


def _step(
    action: ReworkAction, place: _Place, here: Sequence[Flag], reached: Sequence[Flag], recipe: ProductRecipe
) -> ReworkStep:
    string, position = place
    address = write_address(recipe.addresses, string, position)
    about = [
        flag
        for flag in reached
        if flag in here
        or (
            action is ReworkAction.REPLACE_CELL
            and (flag.string, flag.position) == place
            and ACTIONS[flag.kind] in _DONE_WITH_THE_CELL
        )
    ]
    code = f"rework.{action}"
    if action is ReworkAction.RESOLDER_BUSSING_JOINT:
        code = "rework.joints_of_string" if string is not None else "rework.joints_of_panel"
        code = "rework.remove_bridge" if here[0].kind is Kind.BRIDGED_STRING else code
    text = Message(code, {"address": address, "kind": here[0].kind.value})
    return ReworkStep(action, string, position, tuple(flag.id for flag in about), text)


def _when(step: ReworkStep) -> tuple[int, int, int]:
    return _ORDER[step.action], step.string or 0, step.position or 0


def _timed(step: ReworkStep, rules: ReworkRules) -> ReworkStep:
    cost = rules.costs.get(step.action)
    minutes = cost.minutes if cost is not None else None
    return ReworkStep(step.action, step.string, step.position, step.flags, step.text, minutes)
