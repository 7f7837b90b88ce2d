"""From findings to flags to a proposal: limits, order of severity, parents, words."""

from dataclasses import replace

import numpy as np
import pytest

from elinspect.catalogue import Message
from elinspect.criteria import PanelLimit
from elinspect.recipe import AcceptanceCriteria, Judgement, KindCriteria, Limit, assumed_product, default_criteria
from elinspect.records import (
    CrackMode,
    Detection,
    Disposition,
    Finding,
    Flag,
    ImageQuality,
    Kind,
    Layout,
    NotFound,
    Points,
    Proposal,
    Source,
)
from elinspect.triage import flags_from, judged, not_judgeable, propose, that_count, with_limit, with_limits

RECIPE = assumed_product(Layout.parse("2x3")).recipe
GOOD = ImageQuality(True, 40.0, 1.0, 0.0, 0.5)
LINE = np.array([[10.0, 20.0], [40.0, 60.0]])


def _to_file(cell: int, points: Points) -> Points:
    return points[:, ::-1] * 2.0 + 1000.0 * cell


def _finding(kind: Kind, cell: int = 1, score: float = 0.5, **changes: object) -> Finding:
    return Finding(kind, cell, score, LINE, **changes)  # type: ignore[arg-type]


def _flags(
    *findings: Finding, criteria: AcceptanceCriteria | None = None, scale_known: bool = True
) -> tuple[Flag, ...]:
    scores = np.zeros(6, np.float32)
    detections = [Detection(kind, scores, tuple(f for f in findings if f.kind is kind)) for kind in Kind]
    criteria = criteria or default_criteria()
    return judged(flags_from(detections, _to_file, RECIPE, criteria, scale_known=scale_known), criteria)


def _proposal(*findings: Finding, quality: ImageQuality = GOOD, not_found: NotFound | None = None) -> Proposal:
    return propose(_flags(*findings), quality, not_found, RECIPE, default_criteria())


def test_a_finding_becomes_a_flag_in_file_pixels() -> None:
    (flag,) = _flags(_finding(Kind.CRACK, cell=4, length_mm=31.2, mode=CrackMode.A))
    assert (flag.string, flag.position, flag.limit) == (2, 2, "crack.any")
    assert flag.outline_px == ((4040.0, 4020.0), (4120.0, 4080.0))
    assert flag.box_px == (4040.0, 4020.0, 80.0, 60.0)
    assert flag.message.text == "crack in cell 2-2, 31 mm long, mode A"


def test_without_a_known_scale_no_length_is_given() -> None:
    (flag,) = _flags(
        _finding(Kind.CRACK, length_mm=31.2, measurements={"width_mm": 1, "contrast": 2}), scale_known=False
    )
    assert flag.length_mm is None
    assert flag.measurements == {"contrast": 2}
    assert "mm" not in flag.message.text


@pytest.mark.parametrize(
    ("share", "limit"), [(0.049, None), (0.05, "inactive_area.share"), (0.3, "inactive_area.share")]
)
def test_the_default_share_limit_is_reached_at_its_value(share: float, limit: str | None) -> None:
    (flag,) = _flags(_finding(Kind.INACTIVE_AREA, area_fraction=share))
    assert flag.limit == limit


@pytest.mark.parametrize(("count", "reached"), [(9, 0), (10, 1)])
def test_finger_interruptions_count_per_cell_and_are_answered_once(count: int, reached: int) -> None:
    here = [_finding(Kind.FINGER_INTERRUPTION, cell=0) for _ in range(count)]
    elsewhere = [_finding(Kind.FINGER_INTERRUPTION, cell=5) for _ in range(3)]
    assert sum(flag.limit is not None for flag in _flags(*here, *elsewhere)) == reached


def _streaks(*lengths_mm: float, cell: int = 1, **changes: object) -> list[Finding]:
    return [
        _finding(
            Kind.FINGER_INTERRUPTION,
            cell=cell,
            length_mm=length,
            measurements={"bundle_mm": 1.5, "contrast_share": length / 100, "at_busbar": length > 10},
            **changes,
        )
        for length in lengths_mm
    ]


def test_one_flag_stands_for_the_broken_fingers_of_a_cell_and_they_hang_under_it() -> None:
    all_of, *singles = _flags(*_streaks(8.0, 20.0, 12.0), *_streaks(9.0, cell=4))
    lone = singles.pop(next(i for i, flag in enumerate(singles) if flag.string == 2))
    assert all_of.message.text == "3 finger interruptions in cell 1-2, 40 mm in sum, the longest 20 mm"
    assert all_of.measurements == {
        "interruptions": 3, "total_length_mm": 40.0, "dark_area_mm2": 60.0, "contrast_share": 0.2, "bundle_mm": 1.5,
        "at_busbar_count": 2,
    }  # fmt: skip
    assert (all_of.parent, all_of.stands_for, len(all_of.outline_px)) == (None, 3, 5)
    assert {(flag.parent, flag.stands_for) for flag in singles} == {(all_of.id, 0)}
    assert [flag.length_mm for flag in singles] == [20.0, 12.0, 8.0]
    assert (lone.parent, lone.stands_for, lone.measurements["total_length_mm"]) == (None, 1, 9.0)


def test_single_fingers_of_many_reach_no_limit_of_their_own_but_let_all_of_them_reach_it() -> None:
    limits = (
        Limit("long", "plant's choice", min_length_mm=15.0),
        Limit("sum", "plant's choice", at_least={"total_length_mm": 30.0}),
    )
    criteria = AcceptanceCriteria("strict", "1", kinds={Kind.FINGER_INTERRUPTION: KindCriteria(limits=limits)})
    found = {
        lengths: [flag.limit for flag in _flags(*_streaks(*lengths), criteria=criteria)]
        for lengths in ((8.0, 20.0), (8.0, 9.0), (12.0, 12.0, 12.0), (20.0,), (12.0,))
    }
    assert found == {
        (8.0, 20.0): ["finger_interruption.long", None, None],
        (8.0, 9.0): [None, None, None],
        (12.0, 12.0, 12.0): ["finger_interruption.sum", None, None, None],
        (20.0,): ["finger_interruption.long"],
        (12.0,): [None],
    }


def test_broken_fingers_of_a_cracked_cell_hang_under_the_flag_of_them_all_and_that_under_the_crack() -> None:
    crack, all_of, *singles = _flags(_finding(Kind.CRACK, cell=1), *_streaks(8.0, 9.0))
    assert (crack.parent, all_of.parent) == (None, crack.id)
    assert [flag.parent for flag in singles] == [all_of.id, all_of.id]


def test_doubtful_fingers_are_not_counted_into_the_flag_of_them_all() -> None:
    findings = [*_streaks(8.0, 9.0, probability=0.9), *_streaks(11.0, 12.0, 13.0, probability=0.1)]
    detection = Detection(Kind.FINGER_INTERRUPTION, np.zeros(6, np.float32), tuple(findings))
    found = flags_from(
        [detection],
        _to_file,
        RECIPE,
        default_criteria(),
        scale_known=True,
        doubtful_below={Kind.FINGER_INTERRUPTION: 0.5},
    )
    assert sorted(each.flag.stands_for for each in found) == [0, 0, 1, 1, 1, 2]


def test_each_kind_has_its_own_limit_of_doubt() -> None:
    findings = [replace(_finding(Kind.CRACK, cell=1), probability=0.3), *_streaks(8.0, cell=2, probability=0.3)]
    detections = [Detection(each.kind, np.zeros(6, np.float32), (each,)) for each in findings]
    limits = {}
    for kind in (Kind.CRACK, Kind.FINGER_INTERRUPTION):
        found = flags_from(
            detections, _to_file, RECIPE, default_criteria(), scale_known=True, doubtful_below={kind: 0.5}
        )
        flags = judged(found, default_criteria())
        assert {flag.kind for flag in flags if flag.doubtful} == {kind}
        limits[kind] = {flag.kind: flag.limit for flag in flags}
    assert limits[Kind.CRACK][Kind.CRACK] is None
    assert limits[Kind.FINGER_INTERRUPTION][Kind.CRACK] == "crack.any"


def test_doubtful_flags_count_towards_no_limit_of_the_panel() -> None:
    limit = PanelLimit("cells", "plant's choice", min_cells=2, kinds=(Kind.CRACK,))
    criteria = AcceptanceCriteria(
        "strict",
        "1",
        kinds={Kind.CRACK: KindCriteria(limits=(Limit("long", "x", min_length_mm=99.0),))},
        panel=(limit,),
    )
    findings = [
        replace(_finding(Kind.CRACK, cell=cell, length_mm=9.0), probability=0.3 + 0.1 * cell) for cell in (1, 2)
    ]
    detection = Detection(Kind.CRACK, np.zeros(6, np.float32), tuple(findings))

    def limits(doubtful_below: float) -> list[str | None]:
        found = flags_from(
            [detection], _to_file, RECIPE, criteria, scale_known=True, doubtful_below={Kind.CRACK: doubtful_below}
        )
        return [flag.limit for flag in judged(found, criteria)]

    assert limits(0.1) == ["panel.cells", "panel.cells"]
    assert limits(0.45) == [None, None]


def test_a_dismissed_flag_of_many_fingers_leaves_nothing_that_counts() -> None:
    all_of, *singles = _flags(*_streaks(*[9.0] * 12))
    assert all_of.limit == "finger_interruption.many"
    assert {flag.limit for flag in singles} == {None}
    assert {flag.limit for flag in with_limits(singles, default_criteria(), None)} == {None}


def test_a_figure_that_could_not_be_measured_does_not_pass_a_limit() -> None:
    criteria = AcceptanceCriteria(
        "strict", "1", kinds={Kind.CRACK: KindCriteria(limits=(Limit("long", "plant's choice", min_length_mm=20.0),))}
    )
    (short, unknown) = (_flags(_finding(Kind.CRACK, length_mm=length), criteria=criteria)[0] for length in (10.0, None))
    assert (short.limit, unknown.limit) == (None, "crack.long")


def test_limits_by_mode() -> None:
    kinds = {Kind.CRACK: KindCriteria(limits=(Limit("open", "plant's choice", modes=(CrackMode.B, CrackMode.C)),))}
    criteria = AcceptanceCriteria("by mode", "1", kinds=kinds)
    modes = [None, *CrackMode]
    reached = [_flags(_finding(Kind.CRACK, mode=mode), criteria=criteria)[0].limit is not None for mode in modes]
    assert reached == [True, False, True, True]


@pytest.mark.parametrize(("judgement", "shown"), [(Judgement.SHOWN, True), (Judgement.NOT_JUDGEABLE, False)])
def test_kinds_that_are_not_judged(judgement: Judgement, shown: bool) -> None:
    criteria = AcceptanceCriteria("soft", "1", kinds={Kind.CRACK: KindCriteria(judgement=judgement)})
    flags = _flags(_finding(Kind.CRACK), criteria=criteria)
    assert len(flags) == shown
    assert all(flag.limit is None for flag in flags)


def test_what_cannot_be_judged_is_said_with_the_proposal_and_held_where_an_inspector_sees_it() -> None:
    kinds = {
        Kind.CRACK: KindCriteria(judgement=Judgement.NOT_JUDGEABLE),
        Kind.SOLDER_FAULT: KindCriteria(Judgement.SHOWN),
    }
    criteria = AcceptanceCriteria("soft", "1", kinds=kinds)
    assert not_judgeable(criteria) == (Kind.CRACK,)
    every = _flags(*(_finding(kind) for kind in (Kind.CRACK, Kind.SOLDER_FAULT, Kind.DARK_CELL)))
    assert [flag.kind for flag in that_count(every, criteria)] == [Kind.DARK_CELL]
    note = Message("quality.kinds_not_judgeable", {"kinds": "crack,solder_fault"})
    clean = propose((), replace(GOOD, notes=(note,)), None, RECIPE, criteria)
    assert clean.disposition is Disposition.ACCEPT
    assert [reason.text for reason in clean.reasons] == [
        "Not judged on this product, as the criteria say: crack, solder fault.",
        "No flags.",
    ]
    (flag,) = _flags(_finding(Kind.CRACK), criteria=default_criteria())
    drawn = with_limit(replace(flag, source=Source.INSPECTOR), criteria)
    assert drawn.limit == "crack.not_judgeable"
    held = propose((drawn,), GOOD, None, RECIPE, criteria)
    assert held.disposition is Disposition.HOLD
    assert "no picture of this product can be judged by it" in held.reasons[0].text


def test_the_gravest_flag_comes_first_and_the_rest_of_its_cell_hangs_under_it() -> None:
    flags = _flags(
        _finding(Kind.FINGER_INTERRUPTION, cell=1, score=0.99),
        _finding(Kind.CRACK, cell=1, mode=CrackMode.A),
        _finding(Kind.CRACK, cell=2, mode=CrackMode.C),
        _finding(Kind.INACTIVE_AREA, cell=1, area_fraction=0.2),
        _finding(Kind.DARK_CELL, cell=3),
    )
    order = [(flag.kind, flag.position, flag.parent) for flag in flags]
    assert order == [
        (Kind.DARK_CELL, 1, None),
        (Kind.INACTIVE_AREA, 2, None),
        (Kind.CRACK, 3, None),
        (Kind.CRACK, 2, "m2"),
        (Kind.FINGER_INTERRUPTION, 2, "m2"),
    ]
    assert len({flag.id for flag in flags}) == 5


def test_no_flag_proposes_accept_and_says_so() -> None:
    proposal = _proposal()
    assert proposal.disposition is Disposition.ACCEPT
    assert [reason.text for reason in proposal.reasons] == ["No flags."]


def test_flags_below_every_limit_propose_accept() -> None:
    proposal = _proposal(_finding(Kind.FINGER_INTERRUPTION), _finding(Kind.INACTIVE_AREA, area_fraction=0.01))
    assert proposal.disposition is Disposition.ACCEPT
    assert proposal.reasons[0].text == "2 flags, all below every limit."


def test_reasons_name_rule_and_value_once_per_cell() -> None:
    fingers = [_finding(Kind.FINGER_INTERRUPTION, cell=0) for _ in range(12)]
    proposal = _proposal(*fingers, _finding(Kind.INACTIVE_AREA, cell=1, area_fraction=0.123))
    assert proposal.disposition is Disposition.REWORK
    assert [reason.text for reason in proposal.reasons] == [
        "inactive area in cell 1-2, 12.3 % of the cell; "
        "rule inactive_area.share: rework from 5 % of the cell in sum (found 12.3)",
        "12 finger interruptions in cell 1-1; rule finger_interruption.many: rework from 10 on a cell (found 12)",
    ]


def test_an_image_nobody_can_judge_by_is_held_whatever_the_flags() -> None:
    note = Message("proposal.not_usable")
    held = _proposal(_finding(Kind.CRACK), quality=replace(GOOD, usable=False, notes=(note,)))
    assert (held.disposition, held.reasons) == (Disposition.HOLD, (note,))
    lost = _proposal(not_found=NotFound(Message("proposal.no_flags")))
    assert lost.disposition is Disposition.HOLD


def test_a_limit_can_ask_for_hold() -> None:
    limit = Limit("any", "plant's choice", disposition=Disposition.HOLD)
    criteria = AcceptanceCriteria("hold", "1", kinds={Kind.CRACK: KindCriteria(limits=(limit,))})
    flags = _flags(_finding(Kind.CRACK), criteria=criteria)
    assert propose(flags, GOOD, None, RECIPE, criteria).disposition is Disposition.HOLD


def test_a_changed_flag_is_measured_against_its_new_kind() -> None:
    (flag,) = _flags(_finding(Kind.CRACK))
    assert with_limit(replace(flag, kind=Kind.FINGER_INTERRUPTION), default_criteria()).limit is None
    assert with_limit(replace(flag, kind=Kind.DARK_CELL), default_criteria()).limit == "dark_cell.any"


# Strings and circuits -------------------------------------------------------------------------------------------------

WHOLE = np.array([[0.0, 0], [0, 9], [9, 9], [9, 0]])


def _string_finding(kind: Kind, cells: tuple[int, ...], **measured: object) -> Finding:
    return Finding(kind, cells[0], 0.9, WHOLE, measurements={"cells": len(cells), **measured}, cells=cells)  # type: ignore[arg-type, dict-item]


def test_a_string_flag_goes_round_its_cells_and_has_no_position() -> None:
    bridged = _string_finding(Kind.BRIDGED_STRING, (3, 4, 5), relative_luminance=0.21)
    (flag,) = _flags(bridged)
    assert (flag.string, flag.position, flag.limit) == (2, None, "bridged_string.any")
    assert flag.box_px == (3000.0, 3000.0, 2018.0, 2018.0)
    assert flag.message.text == (
        "bridged string 2, at 21 % of the luminance of strings with the same current: current runs past it"
    )


def test_a_reversed_cell_is_called_so_only_where_the_voltage_tells() -> None:
    (unsure,) = _flags(Finding(Kind.REVERSED_CELL, 3, 0.6, WHOLE, measurements={"own_light": 0.01}))
    assert "reversed or shorted" in unsure.message.text
    known = {"own_light": 0.01, "voltage_surplus_cells": 17.6}
    (sure,) = _flags(Finding(Kind.REVERSED_CELL, 3, 0.9, WHOLE, measurements=known))
    assert sure.message.text.startswith("reversed cell ")
    assert "18 cells more than usual" in sure.message.text
    assert sure.limit == "reversed_cell.any"


def test_part_of_a_string_names_its_positions() -> None:
    (flag,) = _flags(_string_finding(Kind.BRIDGED_STRING, (1, 2), first_position=2, last_position=3))
    assert "part of string 1, positions 2 to 3" in flag.message.text


def test_what_a_dark_string_brings_along_hangs_under_it() -> None:
    dark = _string_finding(Kind.DARK_STRING, (3, 4, 5), relative_luminance=0.1, partner_luminance=2.0)
    flags = _flags(dark, _finding(Kind.INACTIVE_AREA, cell=4, area_fraction=0.5), _finding(Kind.CRACK, cell=1))
    by_kind = {flag.kind: flag for flag in flags}
    assert flags[0].kind is Kind.DARK_STRING
    assert by_kind[Kind.INACTIVE_AREA].parent == flags[0].id
    assert by_kind[Kind.CRACK].parent is None
    assert "at 10 %, while its parallel string is at 200 %" in flags[0].message.text


def test_an_open_circuit_is_reworked_and_says_to_check_the_probes_first() -> None:
    proposal = _proposal(_string_finding(Kind.OPEN_CIRCUIT, (0, 1, 2)))
    assert proposal.disposition is Disposition.REWORK
    assert "check the probes first" in proposal.reasons[0].text
