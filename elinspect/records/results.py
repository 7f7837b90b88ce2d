"""What the pipeline says about one panel, and its parts."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from elinspect.catalogue import Message
from elinspect.records.findings import Flag
from elinspect.records.panels import PanelMeasures
from elinspect.records.pictures import ImageQuality
from elinspect.records.places import Address, AddressScheme, Corner, Layout, ViewSide
from elinspect.records.words import Disposition, Kind, Purpose, Stage, Unjudged


@dataclass(frozen=True, slots=True, eq=False)
class CellResult:
    """One cell in the result.

    Attributes
    ----------
    address : Address
        String and position.
    corners_px : tuple of (x, y)
        Corners in file pixels, clockwise from the top left of the stored picture.
    relative_luminance : float or None
        Over the median of the cells that carry the same current.
    kind_scores : mapping from kind to float
        Scores 0..1, also below the threshold.
    defect_score : float or None
        Probability of a defect that would be confirmed; None if it cannot be given.
    judged : bool
        False if the cell cannot be judged.
    tile : int
        Index of the file.
    voltage_difference_mv : float or None
        Voltage of its junction less that of the usual cell with the same current, from the light; None if not judged.
    voltage_v : float or None
        Voltage of its junction, where the panel's voltage was given and every cell of its circuit is judged.
    unjudged : Unjudged or None
        Why it cannot be judged; None if it is.
    """

    address: Address
    corners_px: tuple[tuple[float, float], ...]
    relative_luminance: float | None
    kind_scores: Mapping[str, float]
    defect_score: float | None
    judged: bool
    tile: int = 0
    voltage_difference_mv: float | None = None
    voltage_v: float | None = None
    unjudged: Unjudged | None = None


@dataclass(frozen=True, slots=True)
class CellLoss:
    """What the finished module would lose by the flags of one cell; an estimate from a picture.

    Attributes
    ----------
    string, position : int
        The cell; position 0 for a whole string.
    loss_w : float
        As it is now.
    worst_loss_w : float
        If every part that could come off did, at least `loss_w`.
    dissipated_w : float
        Heat the cell takes up in that worst case while the other modules of a long string drive their usual current
        through this one; 0 while it delivers power.
    hot_spot : bool
        Whether that would at least double the heat it takes from the light.
    """

    string: int
    position: int
    loss_w: float
    worst_loss_w: float
    dissipated_w: float = 0.0
    hot_spot: bool = False


@dataclass(frozen=True, slots=True)
class PanelLoss:
    """What the finished module would lose by its flags at standard test conditions; an estimate, not a rating.

    Attributes
    ----------
    power_w : float
        Of the module without flags, as on the datasheet.
    no_loss_fraction : float
        Share of a cell that can be inactive before the module loses noticeably: (Isc - Impp) / Isc of this product.
    loss_w, worst_loss_w : float
        By all flags together, as they are now and if every part that could come off did.
    cells : tuple of CellLoss
        Cells and strings whose flags were reckoned, each alone.
    assumptions : tuple of Message
        What was assumed; shown wherever the watts are.
    """

    power_w: float
    no_loss_fraction: float
    loss_w: float
    worst_loss_w: float
    cells: tuple[CellLoss, ...]
    assumptions: tuple[Message, ...]


class ReworkAction(StrEnum):
    """What a bench can do about a panel, in the order in which it is done."""

    HOLD = "hold"
    RETAKE = "retake"
    REMOVE_FOREIGN_BODY = "remove_foreign_body"
    SWAP_STRING = "swap_string"
    REPLACE_CELL = "replace_cell"
    TURN_CELL = "turn_cell"
    RESOLDER_RIBBON = "resolder_ribbon"
    RESOLDER_BUSSING_JOINT = "resolder_bussing_joint"
    REALIGN = "realign"


@dataclass(frozen=True, slots=True)
class ReworkStep:
    """One thing to do.

    Attributes
    ----------
    action : ReworkAction
        What.
    string, position : int or None
        Where; position None for a string or its joints, both None for the panel.
    flags : tuple of str
        Ids of the flags it is about.
    text : Message
        What to do and why, in words, with the plant's address.
    minutes : float or None
        By the plant's figures; None where it gave none.
    """

    action: ReworkAction
    string: int | None
    position: int | None
    flags: tuple[str, ...]
    text: Message
    minutes: float | None = None


@dataclass(frozen=True, slots=True)
class ReworkPlan:
    """What the bench should do, in order; a proposal, like the disposition.

    Attributes
    ----------
    steps : tuple of ReworkStep
        At least one.
    minutes : float or None
        Of all steps; None where any is not known.
    reworks_left : int
        Reworks the plant's rule still allows, this one included.
    """

    steps: tuple[ReworkStep, ...]
    minutes: float | None
    reworks_left: int


class Outcome(StrEnum):
    """What became of a flag after rework."""

    GONE = "gone"
    STILL_THERE = "still_there"
    MOVED = "moved"
    NOT_JUDGED = "not_judged"


@dataclass(frozen=True, slots=True)
class RecheckedFlag:
    """A flag of the attempt before, answered by the new picture.

    Attributes
    ----------
    flag : str
        Its id in the inspection before.
    kind : Kind
        Its kind.
    string, position : int or None
        Its place.
    outcome : Outcome
        What became of it.
    now : str or None
        Id of the new flag that is the same one; None where it is gone.
    """

    flag: str
    kind: Kind
    string: int | None
    position: int | None
    outcome: Outcome
    now: str | None


@dataclass(frozen=True, slots=True)
class Recheck:
    """A new attempt laid over the one before.

    Attributes
    ----------
    attempt_before : int
        Which attempt it was laid over.
    flags : tuple of RecheckedFlag
        Every flag that stood before.
    new : tuple of str
        Ids of flags that were not there before.
    damage : tuple of str
        Those of them at or beside a reworked place.
    match : str or None
        What the fingerprints of the cells say, see `elinspect.geometry.PanelMatch`; None where there are none.
    messages : tuple of Message
        All of it in words.
    """

    attempt_before: int
    flags: tuple[RecheckedFlag, ...]
    new: tuple[str, ...]
    damage: tuple[str, ...]
    match: str | None
    messages: tuple[Message, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Proposal:
    """The disposition the criteria suggest; never a decision.

    Attributes
    ----------
    disposition : Disposition
        Accept, rework or hold.
    reasons : tuple of Message
        At least one.
    """

    disposition: Disposition
    reasons: tuple[Message, ...]


class ExposureRole(StrEnum):
    """What one file of an exposure set is."""

    FULL_CURRENT = "full_current"
    LOW_CURRENT = "low_current"
    REPEAT = "repeat"
    DARK = "dark"


@dataclass(frozen=True, slots=True)
class ExposureFile:
    """One file of an exposure set, known by its bytes.

    Attributes
    ----------
    path : str
        Where it lay.
    sha256 : str
        Hash of its bytes (FIPS 180-4), hexadecimal.
    role : ExposureRole
        What it is.
    """

    path: str
    sha256: str
    role: ExposureRole


@dataclass(frozen=True, slots=True)
class ImageFacts:
    """The image as the result file names it; None where the file could not be read.

    Attributes
    ----------
    path, sha256, width_px, height_px, bit_depth : str, int or None
        The first tile.
    tiles, companions : tuple of str
        Paths of further tiles, and of exposures at low current, repeated and dark.
    files : tuple of ExposureFile
        Every file of the set, the first tile too; empty where nothing was read.
    """

    path: str
    sha256: str | None
    width_px: int | None = None
    height_px: int | None = None
    bit_depth: int | None = None
    tiles: tuple[str, ...] = ()
    companions: tuple[str, ...] = ()
    files: tuple[ExposureFile, ...] = ()


@dataclass(frozen=True, slots=True)
class Versions:
    """Versions in force; each a name with a version or a hash."""

    elinspect: str
    recipe: str
    criteria: str
    model: str | None = None
    camera: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class PanelFacts:
    """The panel as found; everything but `found`, `reason` and `layout` is None where it was not.

    `addresses` is the plant's own way to write addresses, so that whoever shows the result later writes them so.
    """

    found: bool
    reason: Message | None
    layout: Layout
    view_side: ViewSide | None = None
    origin_corner: Corner | None = None
    mirrored: bool | None = None
    rotation_deg: int | None = None
    corners_px: tuple[tuple[float, float], ...] | None = None
    addresses: AddressScheme | None = None


@dataclass(frozen=True, slots=True)
class Fingerprints:
    """The texture of every cell, for telling whether a later picture shows the same cells.

    Attributes
    ----------
    shape : tuple of int
        Rows and columns of places of one fingerprint.
    codes : tuple of bytes
        One per cell in the order of addresses, two bits a place; empty for a cell that shows no texture.
    """

    shape: tuple[int, int]
    codes: tuple[bytes, ...]


@dataclass(frozen=True, slots=True, eq=False)
class PanelResult:
    """Everything the pipeline says about one panel; the result file holds exactly this.

    Attributes
    ----------
    flags : tuple of Flag
        In order of severity, the gravest first.
    timing_s : mapping from stage to float
        Seconds; ``total`` always there.
    fingerprints : Fingerprints or None
        Texture of the cells, to recognise them in a later picture; None where the panel was not found.
    measures : PanelMeasures or None
        Gaps, places and ribbons in mm; None where the panel was not found or the cell size is only assumed.
    customer : str or None
        For whom the panel is made, where that was given; chooses among the criteria's overrides.
    loss : PanelLoss or None
        What the flags could cost; None where the product has no electrical data.
    rework : ReworkPlan or None
        What the bench should do; None where accept is proposed.
    recheck : Recheck or None
        What became of the flags of the attempt before; None for a first attempt, or without a log.
    """

    serial: str | None
    stage: Stage
    purpose: Purpose
    attempt: int
    image: ImageFacts
    versions: Versions
    quality: ImageQuality
    panel: PanelFacts
    cells: tuple[CellResult, ...]
    flags: tuple[Flag, ...]
    proposal: Proposal
    timing_s: Mapping[str, float]
    fingerprints: Fingerprints | None = None
    measures: PanelMeasures | None = None
    customer: str | None = None
    loss: PanelLoss | None = None
    rework: ReworkPlan | None = None
    recheck: Recheck | None = None
