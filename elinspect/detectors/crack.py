"""Cracks: dark lines that run any way but straight along a finger, and steps between a bright and a darker region.

Oriented filters find pieces of line or step, a search over paths that may bend a little from piece to piece adds them
up (dynamic programming with angles as states), and what a path collects, in multiples of the cell's own texture, is
the score. Each line is then followed to the pixel and must be darker than both its sides, or part a brighter from a
darker one. What sister wafers share is taken off before, and reported as shared.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import compress

import numpy as np

from elinspect.detectors.broken_bundle import Bundle, dark_places_of
from elinspect.detectors.chunks import over_cells
from elinspect.detectors.crack_beyond import gone_on
from elinspect.detectors.crack_filters import FilterBank, Responses, filter_bank, line_responses
from elinspect.detectors.crack_finding import finding_of
from elinspect.detectors.crack_paths import CrackPath, Paths, best_paths, find_paths
from elinspect.detectors.crack_shape import CrackLine, follow_line, follow_step, joined, share_beside
from elinspect.detectors.crack_sides import along_rim, least_contrast, of_streak, sharpness_of, within
from elinspect.detectors.crack_steps import own_height, step_responses
from elinspect.detectors.crack_upright import leaning_deg, strayed_mm, upright_paths, wandering_deg
from elinspect.detectors.crack_weighing import (
    Scored,
    each_once,
    in_all,
    is_beside,
    is_foot,
    line_worth,
    of_trace,
    sorted_out,
    step_worth,
    together_of,
    worth_least,
)
from elinspect.detectors.crack_wires import takes_wires_off, without_wires
from elinspect.detectors.nearness import with_least
from elinspect.detectors.sisters import Left, Sisters, only, without_sisters
from elinspect.detectors.streaks import fields_of
from elinspect.records import Detection, Finding, FloatImage, Kind, PanelView, Points, read_only
from elinspect.settings import CrackSettings
from elinspect.vision import cv2

_MOST_SHARED = 4
"""Lines that sisters share are reported, not judged: the strongest few of a cell will do."""

_SMOOTH_LEAST = 0.8
"""Share of what a path must collect to be followed, for the further ones of a cell that shows nothing but noise."""

_HELPED = 0.6
"""A line of so much of what it takes is a finding where line and step together are enough."""


@dataclass(frozen=True, slots=True)
class CrackSearch:
    """Cracks of a panel, and what looks like cracks but is shared by sister wafers.

    Attributes
    ----------
    detection : Detection
        Cracks with polyline outline, length and mode; no findings if there are none.
    shared : tuple of Finding
        Lines that vanish when the cell's sisters are taken off; ``shared_by`` counts the cells that show them.
    bundles : tuple of (int, Bundle)
        Boxes of broken fingers, by cell, along which lines were found that are none.
    wires_off : PanelView or None
        The panel without the wires, where it has so many that they were taken off.
    """

    detection: Detection
    shared: tuple[Finding, ...]
    bundles: tuple[tuple[int, Bundle], ...]
    wires_off: PanelView | None


def detect(view: PanelView, settings: CrackSettings) -> Detection:
    """Find cracks.

    Parameters
    ----------
    view : PanelView
        The panel.
    settings : CrackSettings
        Filters, path search, threshold.

    Returns
    -------
    Detection
        Findings with polyline outline, length and mode; no findings if there are no cracks.
    """
    return search(view, settings).detection


def search(view: PanelView, settings: CrackSettings) -> CrackSearch:
    """Find cracks, and lines that sister wafers share; arguments as `detect`."""
    wires_off = without_wires(view) if takes_wires_off(view) else None
    if wires_off is not None:
        view, settings = wires_off, _among_wires(settings, view.mm_per_px)
    sisters = without_sisters(view, settings.sisters)
    alone = _alone(sisters, settings)
    cells = _searched(sisters, settings, {cell: found.textured for cell, found in alone.items()})
    scores = np.array([found.score for found in cells], np.float32) * view.judged
    findings = [finding for found in cells for finding in found.findings if view.judged[finding.cell]]
    shared = _shared(sisters, alone, findings, settings)
    bundles = tuple((cell, own) for cell, found in enumerate(cells) if view.judged[cell] for own in found.bundles)
    strongest = np.array([found.strongest for found in cells], np.float32)
    nearness = with_least(scores, strongest, settings.threshold) * view.judged
    detection = Detection(Kind.CRACK, read_only(scores), tuple(findings), nearness)
    return CrackSearch(detection, tuple(shared), bundles, wires_off)


def _among_wires(settings: CrackSettings, mm_per_px: float) -> CrackSettings:
    """Where wires are taken off nothing is hidden: places at a wire cost, and must show, as much as all others."""
    own = settings.among_wires
    return replace(
        settings,
        half_total_smooth=own.half_total_mm / mm_per_px,
        toll=own.toll,
        busbar_toll=settings.cap,
        least_contrast=own.least_contrast,
        smooth_contrast=own.least_contrast,
        busbar_contrast=own.least_contrast,
        noise_multiple=own.noise_multiple,
        rim_step=own.rim_step,
        least_sharpness=own.least_sharpness,
        bundle=replace(settings.bundle, least_stain_mm=own.least_stain_mm),
    )


def _alone(sisters: Sisters, settings: CrackSettings) -> dict[int, "_Found"]:
    """Lines of cells with sisters that are there before the sisters are taken off."""
    cells = [cell for cell in sorted(sisters.left) if sisters.view.judged[cell]]
    if not cells:
        return {}
    alone = Sisters(only(sisters.view, np.array(cells)), {})
    settings = replace(settings, most_paths=_MOST_SHARED)
    return dict(zip(cells, _searched(alone, settings, {}, lines_only=True), strict=True))


def _shared(
    sisters: Sisters, alone: Mapping[int, "_Found"], cracks: list[Finding], settings: CrackSettings
) -> list[Finding]:
    """Lines that are there before the sisters are taken off and not after."""
    shared = []
    reach = settings.join_mm / sisters.view.mm_per_px
    for cell, found in alone.items():
        own = [crack.outline for crack in cracks if crack.cell == cell]
        for finding in found.findings:
            if not any(share_beside(finding.outline, outline, reach) > 0.3 for outline in own):
                measurements = {**finding.measurements, "shared_by": sisters.left[cell].count + 1}
                shared.append(replace(finding, cell=cell, measurements=measurements))
    return shared


def _searched(
    sisters: Sisters, settings: CrackSettings, textured: Mapping[int, float], lines_only: bool = False
) -> list["_Found"]:
    """What is in each cell; searched with the sisters off, followed and measured in the cell as it is.

    `textured` says how grainy cells with sisters are with these on.
    """
    view, bank, fields = sisters.view, filter_bank(settings), fields_of(sisters.view)

    def work(part: slice) -> list[_Found]:
        searches = _Searches.of(sisters, textured, part, bank, fields, settings, lines_only)
        return [searches.of_cell(cell) for cell in range(part.start, part.stop)]

    return [of_cell for part in over_cells(work, len(view.flat)) for of_cell in part]


def score_of(part: float) -> float:
    """Return the score 0..1 of what a path collected over what it takes for 0.5."""
    share = max(part, 0.0)
    return share**2 / (1 + share**2)


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """What the search says of one cell; where nothing scores, how near the strongest place is to gathering anything."""

    score: float
    textured: float
    findings: list[Finding]
    bundles: list[Bundle]
    strongest: float = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class _Looked:
    """One look of cracks (line or step) in a few cells: responses and paths."""

    responses: Responses
    paths: Paths
    half_totals: tuple[float, float]

    def half_total(self, place: int) -> float:
        """What a path must collect for a score of 0.5: more where the texture itself is full of lines."""
        smooth, textured = self.half_totals
        return smooth + float(self.responses.textured[place]) * (textured - smooth)

    def part(self, place: int) -> float:
        return float(self.paths.best_totals()[place]) / self.half_total(place)

    def strongest(self, place: int, settings: CrackSettings) -> float:
        """Return the strongest response over what a place costs: up to 1, nothing is gathered."""
        textured = float(self.responses.textured[place])
        toll = settings.toll + textured * (settings.grain_toll - settings.toll)
        return float(self.responses.strength[:, place].max()) / toll

    def followed(self, place: int, least_part: float, settings: CrackSettings) -> list[tuple[float, float, Points]]:
        """Parts of the best paths, for their cell and among its lines, and points (map pixels)."""
        half, grainy = self.half_total(place), float(self.responses.textured[place])
        lattice = self.responses.lattice
        least_points = max(round(settings.least_px / (lattice.step * float(lattice.pitch_px[0]))), 2)
        found = []
        for path in best_paths(self.paths, place, settings, least_part * half, least_points):
            total, longer = of_trace(path.total, path.whole, grainy)
            found.append((total / half, longer, path.points * lattice.pitch_px + lattice.first_px))
        return found


@dataclass(frozen=True, slots=True, eq=False)
class _Searches:
    """What the searches found for a few cells."""

    view: PanelView
    left: Mapping[int, Left]
    textured: Mapping[int, float]
    start: int
    lines: _Looked
    steps: _Looked | None
    upright: list[CrackPath | None]
    fields: list[tuple[int, int]]
    settings: CrackSettings

    @classmethod
    def of(
        cls,
        sisters: Sisters,
        textured: Mapping[int, float],
        cells: slice,
        bank: FilterBank,
        fields: list[tuple[int, int]],
        settings: CrackSettings,
        lines_only: bool = False,
    ) -> "_Searches":
        """Search for all looks, or for oblique lines only."""
        view, seen, start, left = sisters.view, sisters.of(cells), cells.start, sisters.left
        part = slice(0, len(seen.flat))
        line = line_responses(seen, part, bank, settings)
        lines = _Looked(
            line,
            find_paths(line, settings, settings.upright_toll),
            (settings.half_total_smooth, settings.half_total_textured),
        )
        if lines_only:
            return cls(view, left, textured, start, lines, None, [None] * len(line.textured), fields, settings)
        step = step_responses(seen, part, bank, line.textured, settings)
        steps = _Looked(step, find_paths(step, settings), (settings.half_step_smooth, settings.half_step_textured))
        upright = upright_paths(seen, part, fields, settings)
        return cls(view, left, textured, start, lines, steps, upright, fields, settings)

    def of_cell(self, cell: int) -> _Found:
        """Return the score of a cell, its cracks, and bundles of broken fingers."""
        settings, place = self.settings, cell - self.start
        enough = float(np.sqrt(settings.threshold / (1 - settings.threshold)))
        upright, textured = self.upright[place], float(self.lines.responses.textured[place])
        half_upright = settings.upright_scale * self.lines.half_total(place)
        lines, weak_line = self._lines(cell)
        steps, weak_step = self._steps(cell)
        lines, weak_line = worth_least(lines, weak_line, _HELPED * enough)
        steps, weak_step = worth_least(steps, weak_step, _HELPED * enough)
        bundles, explained = self._explained(cell, lines, steps)
        lines = [line for line in each_once(lines) if not is_foot(line, steps)]
        found = [*lines, *(step for step in each_once(steps) if not is_beside(step[1], lines))]
        upright_part = upright.total / half_upright if upright else 0.0
        standing = self._upright(cell, upright) if upright and upright_part >= enough else None
        if standing is not None:
            # What the oblique search saw of it is the same line.
            found = [other for other in found if share_beside(other[1].points, standing.points, 3.0) < 0.5]
            found.append((upright_part, standing))
        best = [max((part for part, _ in of_look), default=0.0) for of_look in (lines, steps)]
        looks = [max(best[0], weak_line), max(best[1], weak_step), upright_part if standing is not None else 0.0]
        together = max(together_of(looks), min(explained, _HELPED * enough))
        if not found or together < enough:
            score = min(score_of(together), settings.threshold - 1e-3)
            return _Found(score, textured, [], bundles, 1.0 if score > 0 else self.lines.strongest(place, settings))
        strong = [scored for scored in found if in_all(scored) >= enough]
        score, findings = self._findings(cell, strong or found, together)
        return _Found(score, textured, findings, bundles)

    def _explained(self, cell: int, lines: list[Scored], steps: list[Scored]) -> tuple[list[Bundle], float]:
        """Take out, in place, what runs along bundles of broken fingers and spots; these, and what it still counts."""
        found = [*lines, *steps]
        out, bundles = dark_places_of(self.view, cell, [line.points for _, line in found], self.settings.bundle)
        worth = max((part for part, _ in compress(found, out)), default=0.0)
        left = [not gone for gone in out]
        split = len(lines)
        lines[:], steps[:] = compress(lines, left[:split]), compress(steps, left[split:])
        return bundles, self.settings.explained * worth

    def _findings(
        self, cell: int, found: list[tuple[float, CrackLine]], together: float
    ) -> tuple[float, list[Finding]]:
        found = sorted(found, key=lambda scored: -scored[0])
        lines = [line for _, line in found]
        groups = joined(lines, self.settings.join_mm / self.view.mm_per_px)
        scores = [score_of(max(found[group[0]][0], together if 0 in group else 0.0)) for group in groups]
        findings = [
            finding_of(self.view, cell, [lines[i] for i in group], score, self.settings)
            for group, score in zip(groups, scores, strict=True)
        ]
        return max(scores), findings

    def _lines(self, cell: int) -> tuple[list[tuple[float, CrackLine]], float]:
        """Dark lines that stand out, and what the best of the others is worth."""
        settings, place = self.settings, cell - self.start
        part = self.lines.part(place)
        if part < settings.followed_from:
            return [], settings.unfollowed * part
        # Without grains all of a trace counts, which is more than the search sees ahead.
        textured = float(self.lines.responses.textured[place])
        from_part = settings.followed_from * (_SMOOTH_LEAST + textured * (1 - _SMOOTH_LEAST))
        level = self._in_counts(cell)
        followed = [
            (part, replace(self._ended(follow_line(level, points, self.view.busbar_rows)), longer=longer))
            for part, longer, points in self.lines.followed(place, from_part, settings)
        ]
        # The edge of a dark region answers the filters too, but has no line of its own.
        asked = [least_contrast(self.view, cell, line, settings, textured) for _, line in followed]
        asked = [
            np.inf if self._is_dot(line) or self._is_smudge(cell, line) else least
            for least, (_, line) in zip(asked, followed, strict=True)
        ]
        # What grains leave where sisters lie a little off is short and shallow, however smooth the rest becomes.
        weighed = self._weighed(followed, max(textured, self.textured.get(cell, 0.0)))
        clear = [line.contrast / least for (_, line), least in zip(followed, asked, strict=True)]
        kept, weak = sorted_out(weighed, clear)
        return gone_on(kept, self.view.busbar_rows, self.view.mm_per_px, settings), weak

    def _steps(self, cell: int) -> tuple[list[tuple[float, CrackLine]], float]:
        """Steps that stand out, and what the best of the others is worth."""
        settings, place = self.settings, cell - self.start
        part = self.steps.part(place) if self.steps else 0.0
        if not self.steps or part < settings.steps_followed_from:
            return [], settings.unfollowed * part
        level = self.view.flat[cell] + self.view.background[cell]
        followed = [
            (part, replace(self._ended(follow_step(level, points, self.view.busbar_rows)), longer=longer))
            for part, longer, points in self.steps.followed(place, settings.steps_followed_from, settings)
        ]
        usual = max(settings.least_step, settings.noise_multiple * float(self.view.noise[cell]))
        left = self._left_of(cell)
        weighed, clear = [], []
        for part, line in followed:
            at_rim, height = along_rim(self.view, cell, line, settings), own_height(line, left)
            asked = settings.rim_step if at_rim or of_streak(self.view, cell, line, settings) else usual
            clear.append(height / asked)
            rim_worth = settings.rim_worth if at_rim and height < asked else 1.0
            weighed.append((part * rim_worth * step_worth(height, settings), line))
        return sorted_out(weighed, clear)

    def _left_of(self, cell: int) -> FloatImage | None:
        """What the cell's sisters leave of it, at the scale of the maps; None without sisters."""
        if cell not in self.left:
            return None
        rows, columns = self.view.flat[cell].shape
        return np.asarray(cv2.resize(self.left[cell].deviation, (columns, rows)), np.float32)

    def _in_counts(self, cell: int) -> FloatImage:
        """Flat cell; in a dark region, where the logarithm blows the noise up, contrast in counts."""
        return np.asarray(self.view.flat[cell] * np.exp(np.minimum(self.view.background[cell], 0)), np.float32)

    def _weighed(self, followed: list[tuple[float, CrackLine]], textured: float) -> list[tuple[float, CrackLine]]:
        """Weigh what the filters say of lines with what the lines themselves show, the more so in grainy cells."""
        if textured == 0:
            return followed
        mm_per_px = self.view.mm_per_px
        return [(part * line_worth(line, mm_per_px, self.settings) ** textured, line) for part, line in followed]

    def _ended(self, line: CrackLine) -> CrackLine:
        """End a line where the cell ends: beyond the rim its last places only go on."""
        kept = np.flatnonzero(within(self.view.inside, line.points))
        if len(kept) < 2:
            return line
        return replace(line, points=line.points[kept[0] : kept[-1] + 1])

    def _is_dot(self, line: CrackLine) -> bool:
        """Whether a short line is far deeper than the path it was found on: all but the dot was empty."""
        short = line.length * self.view.mm_per_px < self.settings.dot_mm
        return short and line.steadiness > self.settings.dot_steadiness

    def _is_smudge(self, cell: int, line: CrackLine) -> bool:
        """Whether a line is soft, and no longer than smudges are."""
        least, short = self.settings.least_sharpness, line.length * self.view.mm_per_px <= self.settings.smudge_mm
        return least > 0 and short and sharpness_of(self.view, cell, line.points) < least

    def _upright(self, cell: int, path: CrackPath) -> CrackLine | None:
        """The upright line, if it is a crack's."""
        line = self._ended(follow_line(self._in_counts(cell), path.points, self.view.busbar_rows))
        settings = self.settings
        clear = line.contrast >= least_contrast(self.view, cell, line, settings)
        strays = strayed_mm(line.points, self.fields, self.view.mm_per_px) >= settings.upright_stray_mm
        lean = leaning_deg(line.points, self.view.busbar_rows, settings.lean_fields)
        strays &= line.steadiness >= settings.upright_steadiness
        leans = lean >= settings.upright_lean_deg and line.steadiness >= settings.lean_steadiness
        wander = wandering_deg(line.points, self.view.busbar_rows, settings.lean_fields)
        wanders = wander >= settings.upright_wander_deg and line.steadiness >= settings.lean_steadiness
        wanders &= line.contrast >= settings.wander_noise * float(self.view.noise[cell])
        return line if clear and (strays or leans or wanders) else None
