"""Settings of what is told from the light of whole strings: the circuit, and the probes that feed it."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class CircuitSettings:
    """When a string or a part of it gets too little current, and when a cell is in reverse.

    Shares are of the light of strings that should carry the same current. All of them: common practice, no source;
    cells of one efficiency class differ by some per cent, fall-off of light darkens outer strings by up to a fifth.

    Attributes
    ----------
    threshold : float
        Score from which a state is a finding.
    dark_share : float
        Share at which a string scores 0.5.
    dark_cells : float
        Share of its cells that must be dark: what dims all cells of a string alike is the current.
    lit_share : float
        Light over that of the brightest strings from which on a string says what is usual.
    part_share : float
        Cells below this share in a row are a bridged part of a string.
    shortest_part : int
        Fewest cells of such a part; fewer are dark cells.
    surplus_share : float
        Share of the current a dark string does not take that its parallel partner must show for the string to be open.
    black_share : float
        A single cell below this share gives no light of its own.
    reverse_cells : float
        Surplus of the voltage, in cells, from which on a black cell is in reverse: breakdown begins at some 5 V.
    least_current : float
        Share of the short-circuit current below which the supply found no way through the panel.
    """

    threshold: float = 0.5
    dark_share: float = 0.6
    dark_cells: float = 0.8
    lit_share: float = 0.35
    part_share: float = 0.35
    shortest_part: int = 3
    surplus_share: float = 0.5
    black_share: float = 0.05
    reverse_cells: float = 7.0
    least_current: float = 0.02


@dataclass(frozen=True, slots=True)
class ProbeContactSettings:
    """When the light of a string counts as fading along it. Common practice, no source.

    Attributes
    ----------
    faded_share : float
        Light at the dim end over light at the other end.
    faded_block_share : float
        The same where all strings of a block fade alike: what no flat field takes off may dim one side of a picture by
        a quarter (a camera that stands aslant, a lamp or window nearby).
    least_order : float
        Rank correlation (Kendall) of light with place: a fade goes one way all along, dark cells do not.
    fewest_cells, fewest_strings : int
        Shortest string looked at; fewest strings side by side that tell what is common to them.
    """

    faded_share: float = 0.8
    faded_block_share: float = 0.6
    least_order: float = 0.7
    fewest_cells: int = 6
    fewest_strings: int = 3
