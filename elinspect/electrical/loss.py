"""What the finished module would lose by its flags, in watts: an estimate from a picture, not a rating."""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from elinspect.catalogue import Message
from elinspect.circuit import THERMAL_VOLTAGE
from elinspect.electrical.cell import breakdown_voltage
from elinspect.electrical.kept import ProductTables, tables_for
from elinspect.electrical.module import CellState
from elinspect.frames import cell_index
from elinspect.recipe import ProductRecipe
from elinspect.records import Address, CellLoss, CrackMode, Flag, Kind, PanelLoss

UNKNOWN_CRACK_SHARE = 0.24
"""Share of a cell that a crack is taken to be able to cut off where its flag does not say: the upper end of the 16-24 %
published for cracks parallel to the busbars (Kajari-Schröder, Kunze, Köntges 2012, Energy Procedia 27:658-663)."""

DEAD_LUMINANCE = 0.1
"""Luminance, relative to cells with the same current, below which a dark cell is reckoned as shorted: a living cell
lacks no more than kT/q ln 10 = 59 mV; common practice, no source."""

_ABSORBED_W_PER_MM2 = 0.9e-3
"""Light turned to heat at 1000 W/m², a tenth reflected or out of use; common practice, no source."""

_RECKONED = frozenset(
    {
        Kind.CRACK,
        Kind.INACTIVE_AREA,
        Kind.CHIPPED_CELL,
        Kind.DARK_CELL,
        Kind.REVERSED_CELL,
        Kind.FINGER_INTERRUPTION,
        Kind.SOLDER_FAULT,
        Kind.BRIDGED_STRING,
        Kind.DARK_STRING,
    }
)
_WHOLE = CellState()
_Place = tuple[int, int]


@dataclass(frozen=True, slots=True)
class _Effect:
    """What one flag does to its cell, as it is now and at worst."""

    now: CellState = _WHOLE
    worst: CellState = _WHOLE
    crack: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class LossModel:
    """A product, ready for losses to be reckoned.

    Attributes
    ----------
    recipe : ProductRecipe
        The product.
    tables : ProductTables
        Its tables.
    """

    recipe: ProductRecipe
    tables: ProductTables

    @property
    def power_w(self) -> float:
        """Power on the datasheet, else the model's, W."""
        return self.recipe.electrical.power_w or self.tables.power_w

    @property
    def no_loss_fraction(self) -> float:
        """Share of one cell below which the module loses nothing noticeable: (Isc - Impp) / Isc of the datasheet.

        A cell stays in forward bias below it (open page 'Cell Cracks' after IEA-PVPS T13-01:2014).
        """
        data = self.recipe.electrical
        assert data.isc_a is not None
        assert data.imp_a is not None
        return (data.isc_a - data.imp_a) / data.isc_a


def loss_model(recipe: ProductRecipe) -> LossModel | Message:
    """Return the product's model, or in words why watts cannot be given."""
    try:
        tables = tables_for(recipe)
    except ValueError as error:
        return Message("loss.no_diode", {"cause": str(error)})
    return LossModel(recipe, tables) if tables is not None else Message("loss.no_data")


def panel_loss(flags: Sequence[Flag], model: LossModel) -> PanelLoss:
    """Reckon what the flags of a panel cost.

    Parameters
    ----------
    flags : sequence of Flag
        All flags of the panel; doubtful ones cost nothing.
    model : LossModel
        Its product.

    Returns
    -------
    PanelLoss
        Losses of each cell alone and of all together; kinds that cannot be reckoned are named among the assumptions.
    """
    flags = [flag for flag in flags if not flag.doubtful]
    effects: dict[_Place, list[_Effect]] = defaultdict(list)
    for flag in flags:
        for place, effect in _effects_of(flag, model.recipe):
            effects[place].append(effect)
    now = {place: _now(here) for place, here in effects.items()}
    worst = {place: _together([effect.worst for effect in here]) for place, here in effects.items()}
    strings = [flag for flag in flags if flag.position is None and flag.string is not None and flag.kind in _RECKONED]
    cells = [_cell_loss(place, now[place], worst[place], model) for place in sorted(effects)]
    cells += [_string_loss(flag, model) for flag in strings]
    bridged = _states_of_strings(strings, model.recipe)
    opened = frozenset(index for flag in strings for index in _opened_by(flag, model.recipe))
    total = _lost_w(_indexed(now, model.recipe) | bridged, opened, model)
    # A string that is dim now may open for good.
    gone = opened | {
        index for flag in strings if flag.kind is Kind.DARK_STRING for index in _cells_of(flag, model.recipe)
    }
    at_worst = _lost_w(_indexed(worst, model.recipe) | bridged, gone, model)
    return PanelLoss(
        model.power_w,
        model.no_loss_fraction,
        total,
        max(total, at_worst),
        tuple(cells),
        assumptions(flags, model.recipe),
    )


def assumptions(flags: Iterable[Flag], recipe: ProductRecipe) -> tuple[Message, ...]:
    """Return what the watts of these flags rest on, in words."""
    kinds = {flag.kind for flag in flags}
    found = [Message("loss.estimate"), breakdown_voltage(recipe)[1]]
    found.append(Message("loss.diodes_stated" if recipe.circuit.bypass_groups else "loss.diodes_assumed"))
    if recipe.layout.blocks > 1 or len(recipe.circuit.series) > 1:
        found.append(Message("loss.tied"))
    if Kind.CRACK in kinds:
        found.append(Message("loss.cracks", {"percent": 100 * UNKNOWN_CRACK_SHARE}))
    if kinds & {Kind.FINGER_INTERRUPTION, Kind.SOLDER_FAULT}:
        found.append(Message("loss.upper_bound"))
    if Kind.DARK_CELL in kinds:
        found.append(Message("loss.dark_cells", {"percent": 100 * DEAD_LUMINANCE}))
    found += [Message("loss.not_reckoned", {"kind": kind.value}) for kind in sorted(kinds - _RECKONED)]
    return tuple(found)


def flag_loss(flag: Flag, model: LossModel) -> float | None:
    """Return what a flag alone would cost now, W; None where it cannot be reckoned."""
    if flag.kind not in _RECKONED or flag.string is None:
        return None
    if flag.position is None:
        return _string_loss(flag, model).loss_w
    ((place, effect),) = _effects_of(flag, model.recipe)
    if effect.now == _WHOLE and flag.kind is not Kind.CRACK:
        return None
    return _cell_loss(place, effect.now, effect.worst, model).loss_w


def _effects_of(flag: Flag, recipe: ProductRecipe) -> list[tuple[_Place, _Effect]]:
    if flag.kind not in _RECKONED or flag.string is None or flag.position is None:
        return []
    return [((flag.string, flag.position), _effect(flag, recipe))]


def _effect(flag: Flag, recipe: ProductRecipe) -> _Effect:
    area = flag.area_fraction
    if flag.kind is Kind.CRACK:
        given = flag.measurements.get("could_cut_off_share")
        known = float(given) if isinstance(given, int | float) else None
        could = known if known is not None else UNKNOWN_CRACK_SHARE
        # What a parted piece takes away now is its figure or the inactive area flagged beside it, never a guess.
        off = known or 0.0 if flag.mode is CrackMode.C else 0.0
        return _Effect(CellState(off), CellState(could), crack=True)
    if flag.kind is Kind.DARK_CELL:
        share = flag.measurements.get("relative_luminance")
        light = float(share) if isinstance(share, int | float) else 0.0
        dead = light <= DEAD_LUMINANCE
        now = CellState(shorted=True) if dead else CellState(drop_v=THERMAL_VOLTAGE * max(-math.log(light), 0.0))
        return _Effect(now, CellState(inactive=1.0))
    if flag.kind is Kind.REVERSED_CELL:
        return _Effect(CellState(reversed=True), CellState(reversed=True))
    if area is None and flag.kind is Kind.FINGER_INTERRUPTION and flag.stands_for:
        area = _without_fingers(flag, recipe)
    if area is None and flag.kind is Kind.SOLDER_FAULT:
        # The strip that a stretch of one busbar serves; all of it where the stretch is not known.
        stretch = 1.0 if flag.length_mm is None else min(flag.length_mm / recipe.cell.along_mm, 1.0)
        area = stretch / max(recipe.cell.busbars, 1)
    cut = CellState(min(area, 1.0)) if area is not None else _WHOLE
    return _Effect(cut, cut)


def _without_fingers(flag: Flag, recipe: ProductRecipe) -> float | None:
    """Share of the cell that broken fingers served; None where it was not measured."""
    dark, width = flag.measurements.get("dark_area_mm2"), flag.measurements.get("bundle_mm")
    if dark is None and flag.length_mm is not None and isinstance(width, int | float):
        dark = flag.length_mm * float(width)
    return dark / (recipe.cell.along_mm * recipe.cell.across_mm) if isinstance(dark, int | float) else None


def _now(effects: Sequence[_Effect]) -> CellState:
    """Return a cell as it is: what a crack cut off is most likely the inactive area that was flagged beside it."""
    cracks = _together([effect.now for effect in effects if effect.crack])
    others = _together([effect.now for effect in effects if not effect.crack])
    return replace(others, inactive=max(cracks.inactive, others.inactive))


def _together(states: Sequence[CellState]) -> CellState:
    """Return a cell with several things wrong: areas add up, as far as there is cell."""
    return CellState(
        min(sum(state.inactive for state in states), 1.0),
        max((state.drop_v for state in states), default=0.0),
        any(state.shorted for state in states),
        any(state.reversed for state in states),
    )


def _cell_loss(place: _Place, now: CellState, worst: CellState, model: LossModel) -> CellLoss:
    tables, recipe = model.tables, model.recipe
    index = cell_index(recipe.layout, Address(*place))
    loss = _one_cell(index, now, model)
    at_worst = max(loss, _one_cell(index, worst, model))
    heat = tables.dissipation(index, worst.inactive)
    own = recipe.cell.along_mm * recipe.cell.across_mm * _ABSORBED_W_PER_MM2
    # What a working cell of the module keeps as heat is what it absorbs less what it delivers.
    usual = max(own - model.power_w / recipe.layout.n_cells, 0.0)
    return CellLoss(*place, loss, at_worst, heat, heat > usual)


def _one_cell(index: int, state: CellState, model: LossModel) -> float:
    if state == CellState(state.inactive):
        return model.power_w * model.tables.lost_share(index, state.inactive)
    return _lost_w({index: state}, frozenset(), model)


def _lost_w(states: Mapping[int, CellState], opened: frozenset[int], model: LossModel) -> float:
    odd = {index: state for index, state in states.items() if state != _WHOLE}
    if not odd and not opened:
        return 0.0
    left = model.tables.module.operating_point(odd, opened).power_w / model.tables.power_w
    return max(model.power_w * (1 - left), 0.0)


def _indexed(states: Mapping[_Place, CellState], recipe: ProductRecipe) -> dict[int, CellState]:
    return {cell_index(recipe.layout, Address(*place)): state for place, state in states.items()}


def _cells_of(flag: Flag, recipe: ProductRecipe) -> range:
    """Return the cells a string flag is about: all of the string, or the part it names."""
    assert flag.string is not None
    first = flag.measurements.get("first_position", 1)
    last = flag.measurements.get("last_position", recipe.layout.cells_per_string)
    start = cell_index(recipe.layout, Address(flag.string, int(first or 1)))
    return range(start, start + int(last or 1) - int(first or 1) + 1)


def _is_open(flag: Flag) -> bool:
    return flag.kind is Kind.DARK_STRING and flag.measurements.get("partner_luminance") is not None


def _opened_by(flag: Flag, recipe: ProductRecipe) -> Iterable[int]:
    return _cells_of(flag, recipe) if _is_open(flag) else ()


def _states_of_strings(strings: Iterable[Flag], recipe: ProductRecipe) -> dict[int, CellState]:
    bridged = (flag for flag in strings if not _is_open(flag))
    return {index: CellState(shorted=True) for flag in bridged for index in _cells_of(flag, recipe)}


def _string_loss(flag: Flag, model: LossModel) -> CellLoss:
    assert flag.string is not None
    own = _states_of_strings([flag], model.recipe)
    loss = _lost_w(own, frozenset(_opened_by(flag, model.recipe)), model)
    worst = loss
    if flag.kind is Kind.DARK_STRING:
        worst = _lost_w({}, frozenset(_cells_of(flag, model.recipe)), model)
    return CellLoss(flag.string, 0, loss, max(loss, worst))
