"""Settings of the detectors and of the geometry, one frozen record each.

Lengths are in mm of the cell, heights in multiples of the measured noise or as shares; each field says its unit and
where its default comes from.
"""

from dataclasses import dataclass, field

from elinspect.records import STRING_KINDS, Kind
from elinspect.settings.cracks import BundleSettings, CrackSettings
from elinspect.settings.current import CircuitSettings, ProbeContactSettings
from elinspect.settings.light import (
    DarkCellSettings,
    FingerInterruptionSettings,
    InactiveAreaSettings,
    MaterialPatternSettings,
    SolderFaultSettings,
)
from elinspect.settings.shape import (
    ChippedCellSettings,
    ForeignBodySettings,
    MisplacedCellSettings,
    RibbonOffsetSettings,
)
from elinspect.settings.views import GeometrySettings, SisterSettings, ViewSettings

__all__ = [
    "BundleSettings",
    "ChippedCellSettings",
    "CircuitSettings",
    "CrackSettings",
    "DarkCellSettings",
    "DetectorSettings",
    "FingerInterruptionSettings",
    "ForeignBodySettings",
    "GeometrySettings",
    "InactiveAreaSettings",
    "MaterialPatternSettings",
    "MisplacedCellSettings",
    "ProbeContactSettings",
    "RibbonOffsetSettings",
    "SisterSettings",
    "SolderFaultSettings",
    "ViewSettings",
]


@dataclass(frozen=True, slots=True)
class DetectorSettings:
    """Settings of all detectors."""

    view: ViewSettings = field(default_factory=ViewSettings)
    crack: CrackSettings = field(default_factory=CrackSettings)
    inactive_area: InactiveAreaSettings = field(default_factory=InactiveAreaSettings)
    dark_cell: DarkCellSettings = field(default_factory=DarkCellSettings)
    finger_interruption: FingerInterruptionSettings = field(default_factory=FingerInterruptionSettings)
    chipped_cell: ChippedCellSettings = field(default_factory=ChippedCellSettings)
    foreign_body: ForeignBodySettings = field(default_factory=ForeignBodySettings)
    solder_fault: SolderFaultSettings = field(default_factory=SolderFaultSettings)
    material_pattern: MaterialPatternSettings = field(default_factory=MaterialPatternSettings)
    circuit: CircuitSettings = field(default_factory=CircuitSettings)
    probe_contact: ProbeContactSettings = field(default_factory=ProbeContactSettings)
    misplaced_cell: MisplacedCellSettings = field(default_factory=MisplacedCellSettings)
    ribbon_offset: RibbonOffsetSettings = field(default_factory=RibbonOffsetSettings)

    def threshold_of(self, kind: Kind) -> float:
        """Return the score from which something is a finding of a kind.

        Raises
        ------
        AttributeError
            If the kind has no detector.
        """
        if kind in STRING_KINDS | {Kind.OPEN_CIRCUIT, Kind.REVERSED_CELL}:
            return self.circuit.threshold
        name = Kind.SOLDER_FAULT if kind is Kind.BUSSING_JOINT_FAULT else kind
        return float(getattr(self, name.value).threshold)
