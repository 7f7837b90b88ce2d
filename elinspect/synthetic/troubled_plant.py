"""A plant with one of everything that can go wrong, for demonstrations of the figures."""

from elinspect.records import Kind
from elinspect.synthetic.plant_records import CauseOf, Change, PlantCause, RecordPlant


def troubled_plant(days: int, panels_per_day: int) -> RecordPlant:
    """Return a plant in which, one after another, a lane, a lot, a solder head, the lay-up and the laminator fail.

    Parameters
    ----------
    days : int
        Days it will run; the causes are spread over them.
    panels_per_day : int
        Panels of both lines together.
    """
    causes = (
        PlantCause(CauseOf.LOT, 0.30 * days, 5.0, number=int(0.30 * days / 2 + 1) * 3, end_day=days),
        PlantCause(CauseOf.SOLDER_HEAD, 0.40 * days, 6.0, 6, Kind.SOLDER_FAULT, end_day=0.55 * days),
        PlantCause(CauseOf.LAYUP, 0.50 * days, 2.0, 1, Kind.CHIPPED_CELL),
        PlantCause(CauseOf.LAMINATOR, 0.60 * days, 4.0, 1, Kind.CRACK),
        PlantCause(CauseOf.LANE, 0.80 * days, 8.0, 3, position=3, along=0.25, across=0.7),
    )
    rates = {
        Kind.CRACK: 0.004,
        Kind.FINGER_INTERRUPTION: 0.003,
        Kind.SOLDER_FAULT: 0.0015,
        Kind.INACTIVE_AREA: 0.001,
        Kind.DARK_CELL: 0.0006,
        Kind.CHIPPED_CELL: 0.0005,
    }
    return RecordPlant(
        lines=2,
        stringers=4,
        panels_per_day=panels_per_day,
        rates=rates,
        string_correlation=0.05,
        sister_runs=2e-5,
        missed=0.04,
        false_flags=0.2,
        rework_spoils=0.05,
        read_again=40,
        model_changes=(Change(0.45 * days, 1.2, 0), Change(0.5 * days, 1.2, 1)),
        inspector_drift=(Change(0.6 * days, 1.3, 1, ramp_days=0.2 * days),),
        causes=causes,
    )
