"""Acceptance criteria: every condition, what is refused by which name, and that nothing wrong leads to accept."""

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from results import flag
from typer.testing import CliRunner

from elinspect.catalogue import Message
from elinspect.cli import app
from elinspect.criteria import (
    MEASUREMENTS,
    NOT_NAMED,
    AcceptanceCriteria,
    Judgement,
    KindCriteria,
    Limit,
    PanelLimit,
    default_criteria,
    read_criteria,
)
from elinspect.errors import SettingsFileError
from elinspect.recipe import assumed_product
from elinspect.records import (
    CellLoss,
    CrackMode,
    Disposition,
    Flag,
    ImageQuality,
    Kind,
    Layout,
    PanelLoss,
    Technology,
)
from elinspect.triage import propose, with_limits

RECIPE = assumed_product(Layout.parse("6x10")).recipe
GOOD = ImageQuality(True)
HEAD = "name = 'plant'\nversion = '1'\n"


def _flag(kind: Kind, string: int | None = 1, position: int | None = 2, **changes: object) -> Flag:
    plain: dict[str, object] = {
        "length_mm": None,
        "mode": None,
        "measurements": {},
        "message": Message("flag.plain", {"kind": kind.value, "address": "1-2"}),
        "limit": None,
    }
    return flag("", kind, **{**plain, "string": string, "position": position, **changes})  # type: ignore[arg-type]


def _loss(*cells: tuple[int, int, float], no_loss: float = 0.08) -> PanelLoss:
    listed = tuple(CellLoss(string, position, watts, watts) for string, position, watts in cells)
    total = sum(cell.loss_w for cell in listed)
    return PanelLoss(300.0, no_loss, total, total, listed, ())


def _read(folder: Path, text: str) -> AcceptanceCriteria:
    path = folder / "limits.toml"
    path.write_text(HEAD + text, encoding="utf-8")
    return read_criteria(path)


def _one(kind: Kind, *, relax: bool = False, **conditions: object) -> AcceptanceCriteria:
    limit = Limit("only", "plant's choice", **conditions)  # type: ignore[arg-type]
    return AcceptanceCriteria("plant", "1", kinds={kind: KindCriteria(limits=(limit,))}, watts_may_relax_cracks=relax)


def _reached(criteria: AcceptanceCriteria, *flags: Flag, loss: PanelLoss | None = None) -> list[str | None]:
    return [item.limit for item in with_limits(flags, criteria, loss)]


REWORK_WHATEVER = (
    Kind.CRACK,
    Kind.BRIDGED_STRING,
    Kind.DARK_STRING,
    Kind.OPEN_CIRCUIT,
    Kind.DARK_CELL,
    Kind.REVERSED_CELL,
    Kind.CHIPPED_CELL,
    Kind.BUSSING_JOINT_FAULT,
    Kind.FOREIGN_BODY,
)


@pytest.mark.parametrize("kind", REWORK_WHATEVER)
def test_the_shipped_criteria_rework_these_whatever_their_watts(kind: Kind) -> None:
    harmless = _flag(kind, length_mm=0.1, area_fraction=0.0001)
    (found,) = with_limits([harmless], default_criteria(), _loss((1, 2, 0.0)))
    proposal = propose([found], GOOD, None, RECIPE, default_criteria())
    assert proposal.disposition is Disposition.REWORK


@pytest.mark.parametrize(
    ("kind", "below", "above"),
    [
        (Kind.INACTIVE_AREA, {"area_fraction": 0.0499}, {"area_fraction": 0.05}),
        (Kind.MISPLACED_CELL, {"measurements": {"shift_mm": -0.9}}, {"measurements": {"shift_mm": -1.0}}),
        (Kind.MISPLACED_CELL, {"measurements": {"gap_mm": 0.4}}, {"measurements": {"gap_mm": -0.5}}),
        (Kind.RIBBON_OFFSET, {"measurements": {"offset_mm": 0.4}}, {"measurements": {"offset_mm": -0.5}}),
        (Kind.SOLDER_FAULT, {"length_mm": 9.9}, {"length_mm": 10.0}),
    ],
)
def test_the_shipped_limits_are_reached_at_their_values(kind: Kind, below: dict, above: dict) -> None:
    criteria = default_criteria()
    assert _reached(criteria, _flag(kind, **below)) == [None]
    assert _reached(criteria, _flag(kind, **above)) != [None]
    assert _reached(criteria, _flag(kind)) != [None], "nothing measured must not pass"


def test_the_shipped_criteria_name_every_kind_and_say_where_each_limit_comes_from() -> None:
    criteria = default_criteria()
    assert set(criteria.kinds) == set(Kind)
    assert _reached(criteria, _flag(Kind.MATERIAL_PATTERN)) == [None]
    origins = [limit.origin for treated in criteria.kinds.values() for limit in treated.limits]
    assert all(origin.startswith(("plant's choice", "IEA-PVPS")) for origin in origins)


def test_the_products_own_no_loss_limit_takes_the_place_of_the_shipped_share() -> None:
    # IEA-PVPS T13-01:2014 as quoted: no significant loss below (Isc - Impp) / Isc; here a product with 8 %.
    shares = [_flag(Kind.INACTIVE_AREA, area_fraction=share) for share in (0.079, 0.081)]
    limits = [_reached(default_criteria(), item, loss=_loss((1, 2, 0.0)))[0] for item in shares]
    assert limits == [None, "inactive_area.share"]


def test_areas_of_one_cell_add_up() -> None:
    halves = [_flag(Kind.INACTIVE_AREA, area_fraction=0.03) for _ in range(2)]
    apart = [_flag(Kind.INACTIVE_AREA, position=position, area_fraction=0.03) for position in (3, 4)]
    assert _reached(default_criteria(), *halves, *apart) == ["inactive_area.share"] * 2 + [None] * 2


CONDITIONS = [
    (Kind.CRACK, {"modes": (CrackMode.C,)}, {"mode": CrackMode.A}, {"mode": CrackMode.C}),
    (Kind.CRACK, {"patterns": ("cross",)}, {"measurements": {"pattern": "along_busbars"}}, {"measurements": {}}),
    (Kind.CRACK, {"min_length_mm": 20.0}, {"length_mm": 19.9}, {"length_mm": 20.0}),
    (Kind.FINGER_INTERRUPTION, {"min_area_fraction": 0.1}, {"area_fraction": 0.09}, {"area_fraction": 0.1}),
    (
        Kind.DARK_CELL,
        {"at_most": {"relative_luminance": 0.5}},
        {"measurements": {"relative_luminance": 0.6}},
        {"measurements": {"relative_luminance": 0.4}},
    ),
]


@pytest.mark.parametrize(("kind", "conditions", "below", "above"), CONDITIONS)
def test_conditions_of_one_flag(kind: Kind, conditions: dict, below: dict, above: dict) -> None:
    criteria = _one(kind, **conditions)
    assert _reached(criteria, _flag(kind, **below)) == [None]
    assert _reached(criteria, _flag(kind, **above)) == [f"{kind}.only"]


@pytest.mark.parametrize(
    ("conditions", "places", "reached"),
    [
        ({"min_count_per_cell": 2}, [(1, 1), (1, 1), (1, 2)], [True, True, False]),
        ({"min_cells_per_string": 2}, [(1, 1), (1, 2), (2, 1), (2, 1)], [True, True, False, False]),
        ({"min_cells_per_panel": 3}, [(1, 1), (1, 2), (2, 1)], [True, True, True]),
        ({"min_cells_per_panel": 3}, [(1, 1), (1, 1), (2, 1)], [False, False, False]),
    ],
)
def test_counts_per_cell_string_and_panel(conditions: dict, places: list, reached: list[bool]) -> None:
    flags = [_flag(Kind.FINGER_INTERRUPTION, *place) for place in places]
    limits = {
        (item.string, item.position): item.limit for item in with_limits(flags, _one(flags[0].kind, **conditions), None)
    }
    assert [limits[place] is not None for place in places] == reached


def test_a_combination_on_one_cell() -> None:
    criteria = _one(Kind.FINGER_INTERRUPTION, with_kinds=(Kind.MATERIAL_PATTERN,))
    criteria = replace(criteria, kinds={**criteria.kinds, Kind.MATERIAL_PATTERN: KindCriteria(Judgement.SHOWN)})
    here, elsewhere = _flag(Kind.FINGER_INTERRUPTION), _flag(Kind.FINGER_INTERRUPTION, position=9)
    found = with_limits([here, elsewhere, _flag(Kind.MATERIAL_PATTERN)], criteria, None)
    assert {item.position for item in found if item.limit} == {2}


@pytest.mark.parametrize(
    ("conditions", "watts", "reached"),
    [
        ({"min_loss_w": 2.0}, 1.9, False),
        ({"min_loss_w": 2.0}, 2.1, True),
        ({"min_loss_percent": 1.0}, 2.9, False),
        ({"min_loss_percent": 1.0}, 3.1, True),
        ({"min_area_fraction": 0.01, "unless_loss_below_w": 2.0}, 1.9, False),
        ({"min_area_fraction": 0.01, "unless_loss_below_w": 2.0}, 2.1, True),
    ],
)
def test_watts(conditions: dict, watts: float, reached: bool) -> None:
    criteria, area = _one(Kind.INACTIVE_AREA, **conditions), _flag(Kind.INACTIVE_AREA, area_fraction=0.2)
    assert (_reached(criteria, area, loss=_loss((1, 2, watts))) != [None]) == reached
    assert _reached(criteria, area) != [None], "without electrical data nothing passes by its watts"


def test_watts_relax_a_crack_only_where_the_file_says_so() -> None:
    with pytest.raises(ValueError, match="watts_may_relax_cracks"):
        _one(Kind.CRACK, min_loss_w=3.0)
    assert _reached(_one(Kind.CRACK, relax=True, min_loss_w=3.0), _flag(Kind.CRACK), loss=_loss((1, 2, 0.1))) == [None]


def test_a_limit_of_the_panel_binds_the_flags_it_is_about() -> None:
    criteria = replace(
        _one(Kind.INACTIVE_AREA, min_area_fraction=0.5), panel=(PanelLimit("watts", "contract", min_loss_w=5.0),)
    )
    flags = [_flag(Kind.INACTIVE_AREA, position=position, area_fraction=0.1) for position in (2, 3)]
    loss = _loss((1, 2, 2.0), (1, 3, 3.0))
    found = with_limits(flags, criteria, loss)
    assert [item.limit for item in found] == ["panel.watts"] * 2
    proposal = propose(found, GOOD, None, RECIPE, criteria, loss)
    assert proposal.disposition is Disposition.REWORK
    assert "from a loss of 5 W of the whole panel (estimated 5)" in proposal.reasons[0].text
    cheaper = _loss((1, 2, 2.0), (1, 3, 2.9))
    assert [item.limit for item in with_limits(flags, criteria, cheaper)] == [None, None]


def test_a_kind_the_file_does_not_name_is_held() -> None:
    criteria = _one(Kind.CRACK)
    found = with_limits([_flag(Kind.CHIPPED_CELL)], criteria, None)
    assert found[0].limit == f"chipped_cell.{NOT_NAMED}"
    proposal = propose(found, GOOD, None, RECIPE, criteria)
    assert proposal.disposition is Disposition.HOLD
    assert "the criteria do not name this kind" in proposal.reasons[0].text


OVERRIDES = """
[kinds.crack]
limits = [{ name = "any", origin = "contract" }]
by_technology = { hjt_like = "not_judgeable" }
[[overrides]]
name = "meadow for the north"
products = ["Meadow 144"]
customers = ["north"]
[overrides.kinds.crack]
limits = [{ name = "long", origin = "contract", min_length_mm = 20 }]
"""


@pytest.mark.parametrize(
    ("product", "customer", "technology", "limit"),
    [
        ("Meadow 144", "north", Technology.PERC_LIKE, "long"),
        ("Meadow 144", "south", Technology.PERC_LIKE, "any"),
        ("Meadow 144", None, Technology.TOPCON_LIKE, "any"),
        ("Other", "north", Technology.PERC_LIKE, "any"),
        ("Other", "north", Technology.HJT_LIKE, None),
    ],
)
def test_overrides_per_product_customer_and_technology(
    tmp_path: Path, product: str, customer: str | None, technology: Technology, limit: str | None
) -> None:
    crack = _read(tmp_path, OVERRIDES).in_force(product, technology, customer).kinds[Kind.CRACK]
    assert [item.name for item in crack.limits] == ([limit] if limit else [])
    assert (crack.judgement is Judgement.NOT_JUDGEABLE) == (limit is None)


LIMIT = "limits = [{{ name = 'a', origin = 'x', {} }}]"
WRONG = [
    ("[kinds.krack]", "kinds.krack"),
    ("[kinds.crack]\n" + LIMIT.format("min_length_cm = 2"), "min_length_cm"),
    ("[kinds.crack]\n" + LIMIT.format("min_length_mm = '20 mm'"), "kinds.crack.limits.0.min_length_mm"),
    ("[kinds.crack]\n" + LIMIT.format("min_length_mm = -1"), "kinds.crack.limits.0.min_length_mm"),
    ("[kinds.crack]\n" + LIMIT.format("min_length_mm = nan"), "kinds.crack.limits.0.min_length_mm"),
    ("[kinds.crack]\n" + LIMIT.format("modes = ['D']"), "kinds.crack.limits.0.modes"),
    ("[kinds.crack]\n" + LIMIT.format("disposition = 'accept'"), "kinds.crack.limits.0.disposition"),
    ("[kinds.crack]\n" + LIMIT.format("disposition = 'concession'"), "kinds.crack.limits.0.disposition"),
    ("[kinds.crack]\nlimits = []", "judgement = 'shown'"),
    ("[kinds.crack]\njudgement = 'shown'\n" + LIMIT.format("min_length_mm = 2"), "cannot have limits"),
    ("[kinds.dark_cell]\n" + LIMIT.format("modes = ['B']"), "kinds.dark_cell.limits.a"),
    ("[kinds.crack]\n" + LIMIT.format("at_least = { ofset_mm = 1 }"), "ofset_mm"),
    ("[kinds.crack]\n" + LIMIT.format("at_least = { gap_mm = 1 }"), "kinds.crack.limits.a"),
    ("[kinds.misplaced_cell]\n" + LIMIT.format("at_least = {gap_mm = 2}, at_most = {gap_mm = 1}"), "exclude"),
    ("[kinds.crack]\n" + LIMIT.format("min_loss_w = 2"), "watts_may_relax_cracks"),
    ("[kinds.inactive_area]\n" + LIMIT.format("above_no_loss_limit = true"), "min_area_fraction"),
    ("[kinds.inactive_area]\n" + LIMIT.format("min_area_fraction = 8"), "min_area_fraction"),
    ("[kinds.dark_cell]\n" + LIMIT.format("min_loss_w = 2, unless_loss_below_w = 3"), "twice"),
    ("[kinds.dark_string]\n" + LIMIT.format("min_count_per_cell = 2"), "kinds.dark_string.limits.a"),
    (
        "[kinds.crack]\nlimits = [{ name = 'a', origin = 'x' }, { name = 'b', origin = 'x', min_length_mm = 2 }]",
        "never looked at",
    ),
    ("[kinds.crack]\nlimits = [{ name = 'not_named', origin = 'x' }]", "program's own"),
    ("[kinds.crack]\nby_technology = { hjt_like = 'judged' }\n" + LIMIT.format("min_length_mm = 2"), "hjt_like"),
    ("[[panel]]\nname = 'a'\norigin = 'x'", "panel.0"),
    ("[[panel]]\nname = 'a'\norigin = 'x'\nmin_loss_percent = 120", "panel.0.min_loss_percent"),
    ("[[overrides]]\nname = 'a'", "overrides.0"),
    (OVERRIDES + OVERRIDES[OVERRIDES.index("[[over") :].replace("['Meadow 144']", "[]"), "overrides"),
]


@pytest.mark.parametrize(("text", "named"), WRONG, ids=range(len(WRONG)))
def test_a_wrong_file_is_refused_by_file_table_and_key(tmp_path: Path, text: str, named: str) -> None:
    with pytest.raises(SettingsFileError) as caught:
        _read(tmp_path, text)
    assert named in str(caught.value)
    assert "limits.toml" in str(caught.value)


@pytest.mark.parametrize("text", [None, "", "[[[", *(HEAD + wrong for wrong, _ in WRONG)], ids=str)
def test_no_wrong_or_missing_file_can_lead_to_an_accept(tmp_path: Path, text: str | None) -> None:
    path = tmp_path / "limits.toml"
    if text is not None:
        path.write_text(text, encoding="utf-8")
    picture = Path(__file__).parents[1] / "synthetic_images" / "mono_6x10_8bit.png"
    options = ["--layout", "6x10", "--criteria", str(path), "--json", str(tmp_path / "results")]
    done = CliRunner().invoke(app, ["inspect", str(picture), *options])
    assert done.exit_code == 1
    assert not (tmp_path / "results").exists()
    assert "accept" not in done.output.replace("acceptance", "")


numbers = st.floats(0.01, 0.99)


@given(
    st.sampled_from(list(Kind)),
    st.none() | numbers.map(lambda x: 100 * x),
    st.none() | numbers,
    st.sampled_from([None, *CrackMode]),
    st.dictionaries(st.sampled_from(list(MEASUREMENTS)), numbers, max_size=3),
)
def test_a_flag_with_fewer_figures_never_passes_more_easily(
    kind: Kind, length: float | None, area: float | None, mode: CrackMode | None, measured: dict[str, float]
) -> None:
    if default_criteria().kinds[kind].judgement is Judgement.SHOWN or kind is Kind.FINGER_INTERRUPTION:
        return
    full = _flag(kind, length_mm=length, area_fraction=area, mode=mode, measurements=measured)
    bare = _flag(kind)
    assert (_reached(default_criteria(), bare) != [None]) >= (_reached(default_criteria(), full) != [None])


@pytest.mark.parametrize("rule", ["crack.any: rework whatever its size"])
def test_reasons_name_the_rule_in_words(rule: str) -> None:
    found = with_limits([_flag(Kind.CRACK)], default_criteria(), None)
    (reason,) = propose(found, GOOD, None, RECIPE, default_criteria()).reasons
    assert rule in reason.text
