"""Which limit a flag reaches, and the rule in words: what was asked, what was found."""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from elinspect.catalogue import Value
from elinspect.criteria import NOT_JUDGED, NOT_NAMED, AcceptanceCriteria, Judgement, Limit, PanelLimit
from elinspect.records import Disposition, Flag, Kind, PanelLoss, Source

_Place = tuple[int | None, int | None]


@dataclass(frozen=True, slots=True)
class Tally:
    """What all flags of a panel say together, as limits ask for it.

    Attributes
    ----------
    flags_on_cell : mapping
        Flags by kind and place; one that stands for several counts as so many.
    area_on_cell : mapping
        Share of the cell by kind and place, flags of one kind added up; None where a flag has no figure.
    cells_of_string, cells_of_panel : mapping
        Places that carry a kind, by kind and string, and by kind.
    kinds_on_cell : mapping
        Kinds by place.
    loss : PanelLoss or None
        None where the product has no electrical data.
    """

    flags_on_cell: Mapping[tuple[Kind, _Place], int]
    area_on_cell: Mapping[tuple[Kind, _Place], float | None]
    cells_of_string: Mapping[tuple[Kind, int | None], frozenset[_Place]]
    cells_of_panel: Mapping[Kind, frozenset[_Place]]
    kinds_on_cell: Mapping[_Place, frozenset[Kind]]
    loss: PanelLoss | None = None
    loss_by_place: Mapping[_Place, float] = field(default_factory=dict)

    @classmethod
    def of(cls, flags: Iterable[Flag], loss: PanelLoss | None = None) -> "Tally":
        """Count the flags of a panel; doubtful ones count for nothing."""
        flags = tuple(flag for flag in flags if flag.counts)
        counts: Counter[tuple[Kind, _Place]] = Counter()
        areas: dict[tuple[Kind, _Place], float | None] = defaultdict(float)
        by_string: dict[tuple[Kind, int | None], set[_Place]] = defaultdict(set)
        by_panel: dict[Kind, set[_Place]] = defaultdict(set)
        kinds: dict[_Place, set[Kind]] = defaultdict(set)
        for flag in flags:
            place = (flag.string, flag.position)
            counts[flag.kind, place] += flag.stands_for
            before = areas[flag.kind, place]
            known = before is not None and flag.area_fraction is not None
            areas[flag.kind, place] = before + flag.area_fraction if known else None  # type: ignore[operator]
            by_string[flag.kind, flag.string].add(place)
            by_panel[flag.kind].add(place)
            kinds[place].add(flag.kind)
        return cls(
            dict(counts),
            dict(areas),
            {key: frozenset(places) for key, places in by_string.items()},
            {kind: frozenset(places) for kind, places in by_panel.items()},
            {place: frozenset(here) for place, here in kinds.items()},
            loss,
            {(cell.string, cell.position or None): cell.loss_w for cell in loss.cells} if loss is not None else {},
        )


@dataclass(frozen=True, slots=True)
class Condition:
    """One condition of a limit, measured on a flag.

    Attributes
    ----------
    name : str
        As in the criteria.
    asked, found : Value
        The limit and the value; found None where no figure can be given.
    holds : bool
        Whether it is met; without a figure it is.
    """

    name: str
    asked: Value
    found: Value
    holds: bool


def with_limits(flags: Sequence[Flag], criteria: AcceptanceCriteria, loss: PanelLoss | None) -> tuple[Flag, ...]:
    """Return the flags of a panel, each with the limit it reaches, or with none.

    Parameters
    ----------
    flags : sequence of Flag
        All flags of the panel.
    criteria : AcceptanceCriteria
        As in force for the product.
    loss : PanelLoss or None
        What the flags cost, where the product's electrical data are there.
    """
    tally = Tally.of(flags, loss)
    judged = tuple(_with_limit(flag, criteria, tally) for flag in flags)
    for limit in criteria.panel:
        judged = _with_panel_limit(judged, limit, criteria, loss)
    return judged


def with_limit(
    flag: Flag, criteria: AcceptanceCriteria, others: Iterable[Flag] = (), loss: PanelLoss | None = None
) -> Flag:
    """Return a flag that an inspector added or changed with the limit it reaches, or with none.

    Parameters
    ----------
    flag : Flag
        The flag.
    criteria : AcceptanceCriteria
        As in force for the product.
    others : iterable of Flag
        The other flags that stand on the panel.
    loss : PanelLoss, optional
        What this flag and the others cost.
    """
    everything = (flag, *others)
    limited = _with_limit(flag, criteria, Tally.of(everything, loss))
    for limit in criteria.panel:
        limited = _with_panel_limit((limited, *others), limit, criteria, loss)[0]
    return limited


def judgement_of(kind: Kind, criteria: AcceptanceCriteria) -> Judgement:
    """Return how the criteria treat a kind; one they do not name is judged, and holds."""
    named = criteria.kinds.get(kind)
    return named.judgement if named is not None else Judgement.JUDGED


def not_judgeable(criteria: AcceptanceCriteria) -> tuple[Kind, ...]:
    """Return the kinds that cannot be judged on the product: no flag of theirs says nothing."""
    return tuple(kind for kind in Kind if judgement_of(kind, criteria) is Judgement.NOT_JUDGEABLE)


def that_count(flags: Iterable[Flag], criteria: AcceptanceCriteria) -> tuple[Flag, ...]:
    """Return the flags of judged kinds: what is only shown costs no watts that a limit may ask for."""
    return tuple(flag for flag in flags if judgement_of(flag.kind, criteria) is Judgement.JUDGED)


def suggested_by(name: str, criteria: AcceptanceCriteria) -> Disposition:
    """Return the disposition that a limit with a name such as ``crack.any`` or ``panel.loss`` suggests.

    Raises
    ------
    KeyError
        If the criteria hold no such limit.
    """
    return _named(name, criteria).disposition


def rule_in_values(flag: Flag, criteria: AcceptanceCriteria, tally: Tally) -> str:
    """Return what the limit of a flag asked and what was found, as the catalogue's conversion ``!c`` reads it."""
    assert flag.limit is not None
    limit = _named(flag.limit, criteria)
    if limit in (_HOLD_UNNAMED, _HOLD_NOT_JUDGED):
        return f"{limit.name}=/"
    if isinstance(limit, PanelLimit):
        conditions = _panel_conditions(limit, flag, tally)
    else:
        conditions = conditions_of(limit, flag, tally)
    return ";".join(f"{item.name}={_plain(item.asked)}/{_plain(item.found)}" for item in conditions)


def _plain(value: Value) -> str:
    if value is None:
        return ""
    return f"{value:.4g}" if isinstance(value, float) else str(value)


_HOLD_UNNAMED = Limit(name=NOT_NAMED, origin="a kind the criteria do not name", disposition=Disposition.HOLD)
_HOLD_NOT_JUDGED = Limit(name=NOT_JUDGED, origin="a kind no picture can be judged by", disposition=Disposition.HOLD)


def _named(name: str, criteria: AcceptanceCriteria) -> Limit | PanelLimit:
    where, _, short = name.partition(".")
    if short == NOT_NAMED and Kind(where) not in criteria.kinds:
        return _HOLD_UNNAMED
    if short == NOT_JUDGED and Kind(where) in not_judgeable(criteria):
        return _HOLD_NOT_JUDGED
    limits: Sequence[Limit | PanelLimit] = criteria.panel if where == "panel" else criteria.kinds[Kind(where)].limits
    for limit in limits:
        if limit.name == short:
            return limit
    raise KeyError(name)


def _with_limit(flag: Flag, criteria: AcceptanceCriteria, tally: Tally) -> Flag:
    # A single one of many is judged with them, by the flag that stands for all.
    judgement = judgement_of(flag.kind, criteria)
    if judgement is Judgement.NOT_JUDGEABLE and flag.source is Source.INSPECTOR:
        return replace(flag, limit=f"{flag.kind}.{NOT_JUDGED}")
    if judgement is not Judgement.JUDGED or not flag.counts:
        return replace(flag, limit=None)
    if flag.kind not in criteria.kinds:
        return replace(flag, limit=f"{flag.kind}.{NOT_NAMED}")
    limits = criteria.kinds[flag.kind].limits
    # A measurement the detector does not give is passed over only where another limit of the kind could be measured.
    measured = [limit for limit in limits if _carries_measurements(flag, limit)]
    reached = (limit for limit in measured or limits if _reaches(flag, limit, tally))
    first = next(reached, None)
    return replace(flag, limit=f"{flag.kind}.{first.name}" if first is not None else None)


def _carries_measurements(flag: Flag, limit: Limit) -> bool:
    return all(flag.measurements.get(name) is not None for name in (*limit.at_least, *limit.at_most))


def _reaches(flag: Flag, limit: Limit, tally: Tally) -> bool:
    return all(condition.holds for condition in conditions_of(limit, flag, tally))


def conditions_of(limit: Limit, flag: Flag, tally: Tally) -> tuple[Condition, ...]:
    """Return every condition of a limit measured on a flag; what cannot be measured holds.

    Nobody may pass a flag because a figure could not be given.
    """
    place = (flag.string, flag.position)
    found: list[Condition] = []

    def least(name: str, asked: float | None, value: float | None, scale: float = 1.0) -> None:
        if asked is not None:
            held = value is None or value >= asked
            found.append(Condition(name, asked * scale, value * scale if value is not None else None, held))

    if limit.modes:
        held = flag.mode is None or flag.mode in limit.modes
        found.append(Condition("modes", ",".join(limit.modes), flag.mode, held))
    if limit.patterns:
        pattern = flag.measurements.get("pattern")
        found.append(
            Condition("patterns", ",".join(limit.patterns), pattern, pattern is None or pattern in limit.patterns)
        )
    if limit.with_kinds:
        here = tally.kinds_on_cell.get(place, frozenset()) & set(limit.with_kinds)
        found.append(Condition("with_kinds", ",".join(limit.with_kinds), ",".join(sorted(here)), bool(here)))
    least("min_length_mm", limit.min_length_mm, flag.length_mm)
    area, area_limit = tally.area_on_cell.get((flag.kind, place)), limit.min_area_fraction
    if limit.above_no_loss_limit and tally.loss is not None:
        least("above_no_loss_percent", tally.loss.no_loss_fraction, area, 100.0)
    else:
        least("min_area_percent", area_limit, area, 100.0)
    least("min_count_per_cell", limit.min_count_per_cell, tally.flags_on_cell.get((flag.kind, place), 1))
    string = tally.cells_of_string.get((flag.kind, flag.string), ())
    least("min_cells_per_string", limit.min_cells_per_string, len(string))
    least("min_cells_per_panel", limit.min_cells_per_panel, len(tally.cells_of_panel.get(flag.kind, ())))
    for name, bound in limit.at_least.items():
        least(f"at_least_{name}", bound, _size(flag, name))
    for name, bound in limit.at_most.items():
        value = _signed(flag, name)
        found.append(Condition(f"at_most_{name}", bound, value, value is None or value <= bound))
    loss_w = tally.loss_by_place.get(place)
    for name, watts in (("loss_w", limit.min_loss_w), ("unless_loss_w", limit.unless_loss_below_w)):
        least(name, watts, loss_w)
    percent = 100 * loss_w / tally.loss.power_w if loss_w is not None and tally.loss is not None else None
    for name, share in (
        ("loss_percent", limit.min_loss_percent),
        ("unless_loss_percent", limit.unless_loss_below_percent),
    ):
        least(name, share, percent)
    return tuple(found)


def _signed(flag: Flag, name: str) -> float | None:
    value = flag.measurements.get(name)
    return float(value) if isinstance(value, int | float) else None


def _size(flag: Flag, name: str) -> float | None:
    # A shift or a turn is as bad to the one side as to the other; a gap below zero is an overlap, not a wide gap.
    value = _signed(flag, name)
    return value if value is None or name == "gap_mm" else abs(value)


def _with_panel_limit(
    flags: tuple[Flag, ...], limit: PanelLimit, criteria: AcceptanceCriteria, loss: PanelLoss | None
) -> tuple[Flag, ...]:
    """Let the flags a panel limit is about reach it; a flag that reaches a limit of its own keeps that."""
    about = [
        flag
        for flag in flags
        if flag.counts
        and (flag.kind in limit.kinds if limit.kinds else judgement_of(flag.kind, criteria) is Judgement.JUDGED)
    ]
    tally = Tally.of(about, loss)
    named = {
        id(flag)
        for flag in about
        if flag.limit is None and all(item.holds for item in _panel_conditions(limit, flag, tally))
    }
    return tuple(replace(flag, limit=f"panel.{limit.name}") if id(flag) in named else flag for flag in flags)


def _panel_conditions(limit: PanelLimit, flag: Flag, tally: Tally) -> tuple[Condition, ...]:
    places = {place for here in tally.cells_of_panel.values() for place in here}
    loss = tally.loss
    loss_w = loss.loss_w if loss is not None else None
    percent = 100 * loss.loss_w / loss.power_w if loss is not None else None
    asked: tuple[tuple[str, float | None, Callable[[], float | None]], ...] = (
        ("min_cells", limit.min_cells, lambda: len(places)),
        ("min_cells_per_string", limit.min_cells_per_string, lambda: sum(p[0] == flag.string for p in places)),
        ("panel_loss_w", limit.min_loss_w, lambda: loss_w),
        ("panel_loss_percent", limit.min_loss_percent, lambda: percent),
    )
    found = []
    for name, bound, value_of in asked:
        if bound is not None:
            value = value_of()
            found.append(Condition(name, bound, value, value is None or value >= bound))
    return tuple(found)
