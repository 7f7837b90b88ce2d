"""A sheet of paper drawn in millimetres, written as PDF and PNG from the same drawing."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from elinspect.errors import told_as

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MM_PER_INCH = 25.4
MM_PER_POINT = MM_PER_INCH / 72
DOTS_PER_INCH = 200
"""Of the PNG: fine enough for a code to be read from the screen."""


@dataclass(frozen=True, slots=True, eq=False)
class Sheet:
    """A page under work; x to the right, y down, in mm."""

    figure: "Figure"
    axes: "Axes"
    width: float
    height: float

    def text(self, x: float, y: float, text: str, points: float, **style: Any) -> None:
        """Write one line with its top left corner at a place; `style` as matplotlib's text properties."""
        # A serial or a name is never markup.
        placed = {"va": "top", "ha": "left", "parse_math": False, **style}
        self.axes.text(x, y, text, fontsize=points, **placed)

    def lines(self, x: float, y: float, lines: Sequence[str], points: float, **style: Any) -> float:
        """Write lines below each other; return the y below the last one."""
        for line in lines:
            self.text(x, y, line, points, **style)
            y += line_height(points)
        return y

    def box(self, x: float, y: float, width: float, height: float, **style: Any) -> None:
        """Draw a rectangle; `style` as matplotlib's patch properties."""
        from matplotlib.patches import Rectangle

        self.axes.add_patch(Rectangle((x, y), width, height, **{"fill": False, "linewidth": 0.6, **style}))

    def picture(
        self, pixels: NDArray[np.uint8], place: tuple[float, float], size: tuple[float, float], *, sharp: bool = False
    ) -> None:
        """Draw a grey picture with its top left corner at a place; `sharp` keeps the edges of its pixels."""
        (x, y), (width, height) = place, size
        way = "none" if sharp else "antialiased"
        extent = (x, x + width, y + height, y)
        self.axes.imshow(pixels, "gray", vmin=0, vmax=255, extent=extent, interpolation=way, aspect="auto")
        # A picture moves the axes' limits.
        self.axes.set_xlim(0, self.width)
        self.axes.set_ylim(self.height, 0)

    def write(self, folder: Path, stem: str) -> tuple[Path, Path]:
        """Write the sheet as PDF and PNG; each file appears whole or not at all.

        Raises
        ------
        ElinspectError
            If a file cannot be written.
        """
        written = []
        for ending in ("pdf", "png"):
            path = folder / f"{stem}.{ending}"
            partial = path.with_name(path.name + ".part")
            with told_as("command.not_written", file=str(path)):
                self.figure.savefig(partial, format=ending, dpi=DOTS_PER_INCH)
                partial.replace(path)
            written.append(path)
        return written[0], written[1]


def blank_sheet(width: float, height: float) -> Sheet:
    """Return an empty sheet of a size in mm; matplotlib is imported here, because it takes a second."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width / MM_PER_INCH, height / MM_PER_INCH))
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set_xlim(0, width)
    axes.set_ylim(height, 0)
    axes.axis("off")
    return Sheet(figure, axes, width, height)


def line_height(points: float) -> float:
    """Return the height of a line in mm."""
    return 1.3 * points * MM_PER_POINT


def text_width(text: str, points: float, *, bold: bool = False) -> float:
    """Return how wide a line would be, in mm."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    properties = FontProperties(size=points, weight="bold" if bold else "normal")
    width, _, _ = text_to_path.get_text_width_height_descent(text, properties, ismath=False)
    return float(width) * MM_PER_POINT


def wrapped(text: str, width: float, points: float, *, bold: bool = False) -> list[str]:
    """Break a text into lines of a width in mm; a word that is too long is broken too."""
    lines, current = [], ""
    for word in text.split():
        longer = f"{current} {word}".strip()
        if text_width(longer, points, bold=bold) <= width:
            current = longer
            continue
        if current:
            lines.append(current)
        current = word
        while text_width(current, points, bold=bold) > width and len(current) > 1:
            fits = max(1, int(len(current) * width / text_width(current, points, bold=bold)) - 1)
            lines.append(current[:fits])
            current = current[fits:]
    return [*lines, current] if current else lines
