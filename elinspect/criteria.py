"""Acceptance criteria: the plant's limits as a small language in TOML.

A kind is judged, shown or not judgeable, also per technology; a judged kind has limits, and a limit is reached when all
its conditions hold. A table of overrides treats kinds otherwise for named products or customers. Whatever a file leaves
open falls to the careful side: a kind it does not name is held when it is flagged, a figure that cannot be given
reaches its limit, and a contradiction is an error that names file, table and key.
"""

from collections.abc import Iterator, Mapping
from dataclasses import field, replace
from enum import StrEnum
from importlib import resources
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field
from pydantic.dataclasses import dataclass as validated

from elinspect.catalogue import words
from elinspect.records import (
    PANEL_KINDS,
    STRING_KINDS,
    CrackMode,
    CrackPattern,
    Disposition,
    Kind,
    ReworkAction,
    Technology,
)
from elinspect.toml_file import STRICT, parse_toml, read_toml

CRITERIA_SCHEMA = "elinspect.criteria/1"

NOT_NAMED = "not_named"
"""Limit of a kind the criteria say nothing about: its flags hold the panel."""

NOT_JUDGED = "not_judgeable"
"""Limit of a kind that cannot be judged: where an inspector sees one all the same, the panel is held."""

_Positive = Annotated[float, Field(gt=0)]
_NotNegative = Annotated[float, Field(ge=0)]
_Share = Annotated[float, Field(ge=0, le=1)]
_PartOfCell = Annotated[float, Field(gt=0, le=1)]
_Count = Annotated[int, Field(ge=1)]
_Percent = Annotated[float, Field(gt=0, le=100)]
_Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$")]
_Text = Annotated[str, Field(min_length=1)]

MEASUREMENTS: Mapping[str, frozenset[Kind]] = {
    "offset_mm": frozenset({Kind.RIBBON_OFFSET, Kind.MISPLACED_CELL}),
    "bow_mm": frozenset({Kind.RIBBON_OFFSET}),
    "shift_mm": frozenset({Kind.MISPLACED_CELL}),
    "rotation_deg": frozenset({Kind.MISPLACED_CELL}),
    "gap_mm": frozenset({Kind.MISPLACED_CELL}),
    "main_line_mm": frozenset({Kind.CRACK}),
    "darker_side_share": frozenset({Kind.CRACK}),
    "could_cut_off_share": frozenset({Kind.CRACK}),
    "contrast_share": frozenset({Kind.CRACK, Kind.FINGER_INTERRUPTION, Kind.SOLDER_FAULT, Kind.MATERIAL_PATTERN}),
    "bundle_mm": frozenset({Kind.FINGER_INTERRUPTION}),
    "total_length_mm": frozenset({Kind.FINGER_INTERRUPTION}),
    "relative_luminance": frozenset({Kind.DARK_CELL, Kind.DARK_STRING, Kind.SOLDER_FAULT}),
    "remaining_luminance_share": frozenset({Kind.INACTIVE_AREA, Kind.CHIPPED_CELL, Kind.FOREIGN_BODY}),
    "long_side_mm": frozenset({Kind.CHIPPED_CELL, Kind.FOREIGN_BODY}),
    "short_side_mm": frozenset({Kind.CHIPPED_CELL, Kind.FOREIGN_BODY}),
}
"""Measurements a limit may ask for, with their unit in the name, and the kinds that carry them."""


class Judgement(StrEnum):
    """What the criteria do with a kind."""

    JUDGED = "judged"
    SHOWN = "shown"
    NOT_JUDGEABLE = "not_judgeable"


@validated(frozen=True, slots=True, config=STRICT)
class Limit:
    """One limit of one kind; it is reached when every condition given holds.

    Attributes
    ----------
    name : str
        Short name; ``crack`` with name ``any`` is shown as ``crack.any``.
    origin : str
        Published rule or 'plant's choice'.
    disposition : Disposition
        What reaching it suggests: rework or hold.
    modes, patterns : tuple
        For cracks: the modes or patterns it is about; a crack without one reaches it.
    with_kinds : tuple of Kind
        Reached only on a cell that also carries a flag of one of these kinds.
    min_length_mm : float, optional
        Of the flag.
    min_area_fraction : float, optional
        Share of the cell, all flags of the kind on the cell together.
    above_no_loss_limit : bool
        Where the product's electrical data are there, use its own no-loss limit in place of `min_area_fraction`, which
        stays for products without.
    min_count_per_cell : int, optional
        Flags of the kind on the cell.
    min_cells_per_string, min_cells_per_panel : int, optional
        Cells that carry the kind.
    at_least, at_most : mapping
        Bounds of measurements by name, see `MEASUREMENTS`.
    min_loss_w, min_loss_percent : float, optional
        What the finished module would lose by the cell, of the panel's power at standard test conditions.
    unless_loss_below_w, unless_loss_below_percent : float, optional
        The plant's own relaxation: the limit is not reached while the loss is known and lies below.
    """

    name: _Name
    origin: _Text
    disposition: Literal[Disposition.REWORK, Disposition.HOLD] = Disposition.REWORK
    modes: tuple[CrackMode, ...] = ()
    patterns: tuple[CrackPattern, ...] = ()
    with_kinds: tuple[Kind, ...] = ()
    min_length_mm: _Positive | None = None
    min_area_fraction: _PartOfCell | None = None
    above_no_loss_limit: bool = False
    min_count_per_cell: _Count | None = None
    min_cells_per_string: _Count | None = None
    min_cells_per_panel: _Count | None = None
    at_least: dict[str, float] = field(default_factory=dict)
    at_most: dict[str, float] = field(default_factory=dict)
    min_loss_w: _Positive | None = None
    min_loss_percent: _Percent | None = None
    unless_loss_below_w: _Positive | None = None
    unless_loss_below_percent: _Percent | None = None

    def __post_init__(self) -> None:
        if self.above_no_loss_limit and self.min_area_fraction is None:
            raise ValueError(words("criteria.no_fallback"))
        for name in (*self.at_least, *self.at_most):
            if name not in MEASUREMENTS:
                known = ", ".join(MEASUREMENTS)
                raise ValueError(words("criteria.measurement", measurement=name, known=known))
        for name in self.at_least.keys() & self.at_most.keys():
            if self.at_least[name] > self.at_most[name]:
                raise ValueError(words("criteria.empty_range", measurement=name))
        for watts, relief in (
            (self.min_loss_w, self.unless_loss_below_w),
            (self.min_loss_percent, self.unless_loss_below_percent),
        ):
            if watts is not None and relief is not None:
                raise ValueError(words("criteria.loss_twice"))

    @property
    def asks_for_loss(self) -> bool:
        """Whether watts decide if it is reached."""
        figures = (
            self.min_loss_w,
            self.min_loss_percent,
            self.unless_loss_below_w,
            self.unless_loss_below_percent,
        )
        return any(figure is not None for figure in figures)

    @property
    def unconditional(self) -> bool:
        """Whether every flag of the kind reaches it."""
        return self == replace(_bare(self), disposition=self.disposition)


def _bare(limit: Limit) -> Limit:
    return Limit(limit.name, limit.origin)


@validated(frozen=True, slots=True, config=STRICT)
class KindCriteria:
    """How one kind is treated.

    Attributes
    ----------
    judgement : Judgement
        Judged kinds need limits, others have none.
    limits : tuple of Limit
        In order; the first that is reached counts.
    by_technology : mapping
        Technologies on which the kind is only shown, or not judgeable.
    """

    judgement: Judgement = Judgement.JUDGED
    limits: tuple[Limit, ...] = ()
    by_technology: dict[Technology, Literal[Judgement.SHOWN, Judgement.NOT_JUDGEABLE]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        names = [limit.name for limit in self.limits]
        if len(set(names)) != len(names):
            raise ValueError(words("criteria.same_name"))
        for reserved in {NOT_NAMED, NOT_JUDGED}.intersection(names):
            raise ValueError(words("criteria.reserved_name", name=reserved))
        if self.judgement is not Judgement.JUDGED and self.limits:
            raise ValueError(words("criteria.limits_not_judged", judgement=self.judgement.value))
        if self.judgement is Judgement.JUDGED and not self.limits:
            raise ValueError(words("criteria.judged_without_limit"))
        for number, limit in enumerate(self.limits[:-1]):
            if limit.unconditional:
                later = self.limits[number + 1].name
                raise ValueError(words("criteria.unreachable", limit=later, before=limit.name))


@validated(frozen=True, slots=True, config=STRICT)
class PanelLimit:
    """A limit of the panel as a whole; reached when every condition given holds. The flags it is about then reach it.

    Attributes
    ----------
    name, origin, disposition
        As of a `Limit`; shown as ``panel.<name>``.
    kinds : tuple of Kind
        Kinds it is about; empty: every judged kind.
    min_cells, min_cells_per_string : int, optional
        Cells that carry such a flag.
    min_loss_w, min_loss_percent : float, optional
        What the finished module would lose by all flags together.
    """

    name: _Name
    origin: _Text
    disposition: Literal[Disposition.REWORK, Disposition.HOLD] = Disposition.REWORK
    kinds: tuple[Kind, ...] = ()
    min_cells: _Count | None = None
    min_cells_per_string: _Count | None = None
    min_loss_w: _Positive | None = None
    min_loss_percent: _Percent | None = None

    def __post_init__(self) -> None:
        conditions = (self.min_cells, self.min_cells_per_string, self.min_loss_w, self.min_loss_percent)
        if all(condition is None for condition in conditions):
            raise ValueError(words("criteria.panel_without_condition"))


@validated(frozen=True, slots=True, config=STRICT)
class QualityLimits:
    """Below these an image may not be judged by.

    Attributes
    ----------
    min_signal_to_noise : float
        Of one pixel.
    max_saturated_fraction : float
        Share of the cells' pixels.
    max_unjudged_cells : int
        Cells that could not be judged.
    max_dark_fraction : float
        Share of the cells' pixels without any light.
    max_edge_spread_mm : float
        Blur of edges on the panel (standard deviation); not asked for where the size of a pixel is not known.
    max_mm_per_px : float
        Size of a pixel on the panel; likewise.
    min_grey_steps : float
        Steps of grey between the dark ground and a usual cell; not asked for where the noise covers the steps.
    """

    min_signal_to_noise: _NotNegative = 5.0
    max_saturated_fraction: _Share = 0.02
    max_unjudged_cells: Annotated[int, Field(ge=0)] = 0
    max_dark_fraction: _Share = 0.6
    max_edge_spread_mm: _Positive = 2.0
    max_mm_per_px: _Positive = 1.5
    min_grey_steps: _NotNegative = 20.0


@validated(frozen=True, slots=True, config=STRICT)
class Override:
    """Kinds, panel limits and image quality treated otherwise for some products or customers.

    Attributes
    ----------
    name : str
        Whom it is for, in the plant's words.
    products, customers : tuple of str
        Names; empty: all. At least one of the two must name somebody.
    kinds : mapping
        Each table given replaces the whole table of that kind.
    panel : tuple of PanelLimit, optional
        Replaces all panel limits.
    quality : QualityLimits, optional
        Replaces all quality limits.
    """

    name: _Text
    products: tuple[str, ...] = ()
    customers: tuple[str, ...] = ()
    kinds: dict[Kind, KindCriteria] = field(default_factory=dict)
    panel: tuple[PanelLimit, ...] | None = None
    quality: QualityLimits | None = None

    def __post_init__(self) -> None:
        if not self.products and not self.customers:
            raise ValueError(words("criteria.override_for_nobody"))

    def matches(self, product: str, customer: str | None) -> bool:
        """Whether it is about a product made for a customer."""
        return (not self.products or product in self.products) and (not self.customers or customer in self.customers)

    def both_say(self, other: "Override") -> str | None:
        """Return the table that both give for one product and customer; None if they never meet."""
        apart = any(
            mine and theirs and not set(mine) & set(theirs)
            for mine, theirs in ((self.products, other.products), (self.customers, other.customers))
        )
        if apart:
            return None
        for kind in self.kinds:
            if kind in other.kinds:
                return f"kinds.{kind}"
        for table in ("panel", "quality"):
            if getattr(self, table) is not None and getattr(other, table) is not None:
                return table
        return None


@validated(frozen=True, slots=True, config=STRICT)
class StepCost:
    """What one step at the bench costs the plant: minutes, and material in the plant's own unit."""

    minutes: _NotNegative
    material: _NotNegative = 0.0


class SwapRule(StrEnum):
    """How the plant chooses between replacing cells and swapping their string."""

    COUNT = "count"
    COSTS = "costs"


@validated(frozen=True, slots=True, config=STRICT)
class ReworkRules:
    """How the plant reworks.

    Attributes
    ----------
    rule : SwapRule
        By the number of bad cells, or whatever costs less.
    most_cells_replaced : int
        By the number: with more bad cells than this in a string it is swapped. Two: common practice.
    swap_multi_wire_half_cells : bool
        By the number: swap the string at the first bad cell where cells are half-cut with many wires, because a single
        one can hardly be soldered in by hand (common practice).
    multi_wire_from : int
        Busbars or wires that count as many (common practice).
    max_reworks : int
        Reworks of one panel before it is held for engineering; retakes do not count. Two: common practice.
    cost_per_minute : float
        In the plant's own unit.
    costs : mapping
        Of each step, where the plant gives it.
    """

    rule: SwapRule = SwapRule.COUNT
    most_cells_replaced: Annotated[int, Field(ge=0)] = 2
    swap_multi_wire_half_cells: bool = True
    multi_wire_from: _Count = 9
    max_reworks: Annotated[int, Field(ge=0)] = 2
    cost_per_minute: _NotNegative = 1.0
    costs: dict[ReworkAction, StepCost] = field(default_factory=dict)

    def __post_init__(self) -> None:
        needed = (ReworkAction.SWAP_STRING, ReworkAction.REPLACE_CELL)
        if self.rule is SwapRule.COSTS and not all(action in self.costs for action in needed):
            raise ValueError(words("criteria.costs_missing"))


@validated(frozen=True, slots=True, config=STRICT)
class AcceptanceCriteria:
    """The plant's limits, versioned apart from the recipe.

    Attributes
    ----------
    name, version : str
        Kept with every inspection.
    quality : QualityLimits
        Below these an image may not be judged by.
    watts_may_relax_cracks : bool
        Whether a limit of cracks may depend on watts; without it such a limit is an error.
    kinds : mapping
        How each kind is treated; flags of a kind that is not named hold the panel.
    panel : tuple of PanelLimit
        Limits of the panel as a whole.
    rework : ReworkRules
        How the plant reworks.
    overrides : tuple of Override
        What is otherwise for some products or customers.
    """

    name: Annotated[str, Field(min_length=1, max_length=80)]
    version: Annotated[str, Field(min_length=1, max_length=40)]
    schema: Literal["elinspect.criteria/1"] = "elinspect.criteria/1"
    quality: QualityLimits = field(default_factory=QualityLimits)
    watts_may_relax_cracks: bool = False
    kinds: dict[Kind, KindCriteria] = field(default_factory=dict)
    panel: tuple[PanelLimit, ...] = ()
    rework: ReworkRules = field(default_factory=ReworkRules)
    overrides: tuple[Override, ...] = ()

    def __post_init__(self) -> None:
        for where, kinds in self._tables():
            for kind, treated in kinds.items():
                for limit in treated.limits:
                    self._check(f"{where}kinds.{kind}.limits.{limit.name}", kind, limit)
        for where, limits in (("", self.panel), *((f"overrides.{o.name}.", o.panel or ()) for o in self.overrides)):
            if len({limit.name for limit in limits}) != len(limits):
                raise ValueError(f"{where}panel: {words('criteria.same_name')}")
        for number, first in enumerate(self.overrides):
            for second in self.overrides[number + 1 :]:
                table = first.both_say(second)
                if table is not None:
                    text = words("criteria.overrides_meet", first=first.name, second=second.name, table=table)
                    raise ValueError(f"overrides: {text}")

    def _tables(self) -> Iterator[tuple[str, Mapping[Kind, KindCriteria]]]:
        yield "", self.kinds
        for override in self.overrides:
            yield f"overrides.{override.name}.", override.kinds

    def _check(self, where: str, kind: Kind, limit: Limit) -> None:
        cracks_only = limit.modes or limit.patterns
        if cracks_only and kind is not Kind.CRACK:
            raise ValueError(f"{where}: {words('criteria.cracks_only')}")
        if limit.asks_for_loss and kind is Kind.CRACK and not self.watts_may_relax_cracks:
            raise ValueError(f"{where}: {words('criteria.watts_and_cracks')}")
        for name in (*limit.at_least, *limit.at_most):
            if kind not in MEASUREMENTS[name]:
                text = words("criteria.not_measured", measurement=name, kind=kind.value)
                raise ValueError(f"{where}: {text}")
        by_cell = limit.min_count_per_cell or limit.with_kinds or limit.min_area_fraction
        if kind in STRING_KINDS | PANEL_KINDS and (by_cell or limit.min_cells_per_string):
            raise ValueError(f"{where}: {words('criteria.no_cell', kind=kind.value)}")

    @property
    def label(self) -> str:
        """Name and version as the log keeps them."""
        return f"{self.name} {self.version}"

    def in_force(self, product: str, technology: Technology, customer: str | None) -> "AcceptanceCriteria":
        """Return the criteria as they hold for one product, without overrides; name and version stay."""
        kinds, panel, quality = dict(self.kinds), self.panel, self.quality
        for override in self.overrides:
            if override.matches(product, customer):
                kinds.update(override.kinds)
                panel = override.panel if override.panel is not None else panel
                quality = override.quality if override.quality is not None else quality
        kinds = {
            kind: KindCriteria(treated.by_technology[technology]) if technology in treated.by_technology else treated
            for kind, treated in kinds.items()
        }
        return replace(self, kinds=kinds, panel=panel, quality=quality, overrides=())


def read_criteria(path: Path) -> AcceptanceCriteria:
    """Read acceptance criteria.

    Raises
    ------
    SettingsFileError
        If the file is missing, not TOML, or wrong; the text names file, table and key.
    """
    return read_toml(path, AcceptanceCriteria, words("what.criteria"), CRITERIA_SCHEMA)


def default_criteria() -> AcceptanceCriteria:
    """Return the acceptance criteria shipped with the program."""
    text = resources.files("elinspect").joinpath("data/default_criteria.toml").read_text(encoding="utf-8")
    return parse_toml(text, "default_criteria.toml", AcceptanceCriteria, words("what.criteria"), CRITERIA_SCHEMA)
