"""Colours, sizes and the style sheet. Every meaning also has a shape and a word; colour never stands alone.

Orange, sky blue, yellow and grey stay apart for colour-blind readers (after the palette of Okabe and Ito, 2008). Texts
keep at least 4.5 : 1 against what they stand on (WCAG 2.1 AA), checked by the tests.
"""

from dataclasses import dataclass
from string import Template

from elinspect_ui.presenters.flag_lines import Standing
from elinspect_ui.presenters.state import Tone


@dataclass(frozen=True, slots=True)
class Theme:
    """One set of colours, each ``#rrggbb``.

    Attributes
    ----------
    name : str
        ``dark`` or ``light``.
    ground, surface, raised, line : str
        Window, panes, controls, borders.
    ink, soft, faint : str
        Text, lesser text, text of what is switched off.
    current : str
        What is chosen.
    above, below, done, added : str
        Above a limit, below every limit, logged, added by the inspector.
    ink_on_current : str
        Text on `current`.
    warning : str
        Text that asks for attention.
    """

    name: str
    ground: str
    surface: str
    raised: str
    line: str
    ink: str
    soft: str
    faint: str
    current: str
    ink_on_current: str
    warning: str
    above: str
    below: str
    done: str
    added: str


DARK = Theme(
    name="dark",
    ground="#14161a",
    surface="#1c1f25",
    raised="#2a2f37",
    line="#3a414b",
    ink="#ebe7df",
    soft="#b3b8bf",
    faint="#949aa3",
    current="#f4cf5d",
    ink_on_current="#191509",
    warning="#f4cf5d",
    above="#ff9160",
    below="#74bcec",
    done="#8fd0a9",
    added="#d8b4f8",
)
LIGHT = Theme(
    name="light",
    ground="#e4e1da",
    surface="#f4f2ed",
    raised="#fdfcfa",
    line="#b9b4a8",
    ink="#1b1d20",
    soft="#474c53",
    faint="#595d63",
    current="#a97a00",
    ink_on_current="#000000",
    warning="#714b00",
    above="#a83b08",
    below="#0f5c94",
    done="#1f6b3f",
    added="#6d3aa3",
)

PICTURE_GROUND = "#08090a"
"""Behind the exposure in both themes: anything lighter would veil dark cells."""
ON_PICTURE = DARK
"""Marks lie on the exposure, which is dark in both themes."""


def standing_colour(theme: Theme, standing: Standing, above: bool) -> str:
    """Return the colour of a flag by how it stands."""
    if standing is Standing.DISMISSED:
        return theme.faint
    if standing is Standing.ADDED:
        return theme.added
    return theme.above if above else theme.below


def tone_colour(theme: Theme, tone: Tone) -> str:
    """Return the colour of a notice."""
    return {Tone.DONE: theme.done, Tone.HINT: theme.soft, Tone.REFUSED: theme.warning, Tone.FAILED: theme.above}[tone]


def text_px(window_height: int, larger: int = 0, pixel_ratio: float = 1.0) -> int:
    """Return the size of text for a window.

    Parameters
    ----------
    window_height : int
        In pixels of Qt (the screen's scaling is already in it).
    larger : int
        Steps the inspector asked for.
    pixel_ratio : float
        Pixels of the screen for one of Qt's: the screen's scaling.

    Returns
    -------
    int
        13 px for 768 lines, 16 for 1080, 31 for 2160: about the same share of the screen at arm's length, whatever its
        scaling; where scaling leaves fewer than 768 lines, as much as still fits, and 13 pixels of the screen at least.
    """
    fits = min(13.0, window_height / 59.0)
    return max(7, round(max(13.0 / pixel_ratio, fits, window_height / 69.0))) + 2 * larger


_SHEET = Template("""
* { font-size: ${u}px; color: $ink; }
QMainWindow, QDialog, #ground { background: $ground; }
QWidget#pane { background: $surface; border-radius: ${r}px; }
QToolTip { background: $raised; color: $ink; border: 1px solid $line; padding: 4px; }
QLabel { background: transparent; }
QLabel[role="serial"] { font-size: ${big}px; font-weight: 700; }
QLabel[role="title"] { font-size: ${mid}px; font-weight: 600; }
QLabel[role="soft"] { color: $soft; }
QLabel[role="caution"] { color: $soft; font-size: ${small}px; }
QLabel[role="caption"] { color: $soft; font-size: ${small}px; }
QLabel[role="keys"] { color: $soft; font-size: ${small}px; }
QLabel[role="warning"] { color: $warning; font-weight: 600; }
QLabel[role="problem"] { color: $above; font-weight: 600; }
QLabel[role="empty"] { font-size: ${big}px; color: $ink; }
QWidget#strip { background: $current; border-radius: ${r}px; }
QLabel[role="strip"] { color: $on; font-weight: 600; }
QListWidget { background: $surface; border: none; }
QListWidget::item { padding: ${p}px; }
QListWidget::item:selected { background: $raised; color: $ink; }
QMenuBar { background: $ground; padding: 0; }
QMenuBar::item { padding: ${p}px ${pp}px; background: transparent; }
QMenuBar::item:selected { background: $raised; }
QMenu { background: $raised; border: 1px solid $line; padding: 4px; }
QMenu::item { padding: ${p}px ${wide}px ${p}px ${pp}px; }
QMenu::item:selected { background: $current; color: $on; }
QMenu::item:disabled { color: $faint; }
QPushButton { background: $raised; border: 1px solid $line; border-radius: ${r}px; padding: ${p}px ${pp}px; }
QPushButton:hover { border-color: $soft; }
QPushButton:focus { border: 2px solid $current; }
QPushButton:pressed, QPushButton:checked { background: $current; color: $on; border-color: $current; }
QPushButton:disabled { color: $faint; background: $surface; border-style: dashed; }
QPushButton[role="answer"] { font-weight: 600; padding: ${pp}px ${pp}px; }
QPushButton[role="decide"] { font-size: ${mid}px; font-weight: 600; padding: ${pp}px ${wide}px; }
QPushButton[role="rare"] { padding: ${p}px ${pp}px; }
QPushButton[role="page"] { padding: ${t}px ${pp}px; border-radius: 0; }
QPushButton[proposed="true"] { border: 2px solid $current; }
QLineEdit, QSpinBox { background: $raised; border: 1px solid $line; border-radius: ${r}px; padding: ${p}px;
    selection-background-color: $current; selection-color: $on; }
QLineEdit:focus, QSpinBox:focus { border: 2px solid $current; }
QListView, QTreeView { background: $surface; border: none; outline: none; }
QHeaderView::section { background: $raised; color: $ink; border: none; border-bottom: 1px solid $line; padding: 4px; }
QScrollArea, QScrollArea > QWidget > QWidget { background: $surface; border: none; }
QTextBrowser { background: $surface; border: none; padding: ${pp}px; }
QScrollBar:vertical { background: $surface; width: ${pp}px; margin: 0; }
QScrollBar:horizontal { background: $surface; height: ${p}px; margin: 0; }
QScrollBar::handle { background: $line; border-radius: 3px; min-height: 24px; min-width: 24px; }
QScrollBar::add-line, QScrollBar::sub-line { width: 0; height: 0; }
QSlider::groove:horizontal { background: $line; height: 3px; border-radius: 1px; }
QSlider::handle:horizontal { background: $ink; width: ${pp}px; margin: -${p}px 0; border-radius: 3px; }
QProgressBar { background: $raised; border: none; border-radius: 2px; max-height: 4px; }
QProgressBar::chunk { background: $current; }
QSplitter::handle { background: $ground; }
""")


def style_sheet(theme: Theme, size_px: int) -> str:
    """Return the style sheet for a theme and a size of text."""
    return _SHEET.substitute(
        ground=theme.ground,
        surface=theme.surface,
        raised=theme.raised,
        line=theme.line,
        ink=theme.ink,
        soft=theme.soft,
        faint=theme.faint,
        current=theme.current,
        on=theme.ink_on_current,
        warning=theme.warning,
        above=theme.above,
        u=size_px,
        small=max(min(11, size_px), round(size_px * 0.92)),
        mid=round(size_px * 1.2),
        big=round(size_px * 1.55),
        t=max(1, round(size_px * 0.1)),
        p=max(1, round(size_px * 0.22)),
        pp=max(3, round(size_px * 0.55)),
        wide=round(size_px * 1.5),
        r=max(2, round(size_px * 0.3)),
    )
