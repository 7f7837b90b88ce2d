"""A crack as it is reported: its course to where it truly ends, and what it means."""

from dataclasses import replace

import numpy as np

from elinspect.detectors.crack_ends import around_piece, run_out
from elinspect.detectors.crack_sense import could_cut_off, pattern_of, touched
from elinspect.detectors.crack_shape import CrackLine, tour
from elinspect.detectors.crack_sides import mode_of
from elinspect.records import Finding, Kind, PanelView
from elinspect.settings import CrackSettings


def finding_of(view: PanelView, cell: int, lines: list[CrackLine], score: float, settings: CrackSettings) -> Finding:
    """Return lines that belong together as one finding.

    Parameters
    ----------
    view : PanelView
        The panel.
    cell : int
        Which cell.
    lines : list of CrackLine
        The main one first.
    score : float
        Of the crack, 0..1.
    settings : CrackSettings
        How lines end at the rim, and from what on a crack is of mode B or C.
    """
    reach, most = settings.rim_reach_mm / view.mm_per_px, settings.through_rim_mm / view.mm_per_px
    ends = [run_out(around_piece(view, cell, line.points), view.inside, reach, most) for line in lines]
    lines = [replace(line, points=points) for line, points in zip(lines, ends, strict=True)]
    main = lines[0]
    darker, mode = mode_of(view, cell, main.points, settings)
    along, across = main.points[-1] - main.points[0]
    courses = [line.points for line in lines]
    cut_off = could_cut_off(view, courses)
    return Finding(
        Kind.CRACK,
        cell,
        score,
        view.to_picture(tour(lines)),
        length_mm=sum(line.length for line in lines) * view.mm_per_px,
        mode=mode,
        measurements={
            "main_line_mm": round(main.length * view.mm_per_px, 1),
            "lines": len(lines),
            "orientation_deg": round(float(np.degrees(np.arctan2(-along, across)) % 180), 1),
            "contrast_share": round(1 - float(np.exp(-main.contrast)), 3),
            "darker_side_share": round(darker, 3),
            "pattern": pattern_of(courses, view.mm_per_px),
            "touches": touched(view, courses),
            "could_cut_off_share": None if cut_off is None else round(cut_off, 4),
        },
    )
