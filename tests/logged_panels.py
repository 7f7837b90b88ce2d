"""Panels of an invented plant, as the pipeline would report them, for tests of the log."""

import hashlib
from collections.abc import Iterable
from pathlib import Path

from elinspect.catalogue import Message
from elinspect.frames import address_of
from elinspect.recipe import CellFormat, ProductRecipe
from elinspect.records import (
    CellResult,
    CrackMode,
    Disposition,
    ExposureFile,
    ExposureRole,
    Flag,
    ImageFacts,
    ImageQuality,
    Kind,
    Layout,
    PanelFacts,
    PanelResult,
    Proposal,
    Purpose,
    Source,
    Stage,
    Versions,
)

LAYOUT = Layout.parse("6x10")
HEADER = (
    "panel_serial,string,string_id,stringer,lane,turned,built_at,cell_lot,cell_supplier,cell_class,ribbon_lot,operator,"
    "layup_machine,bussing_machine,el_station"
)


def crack(flag_id: str, string: int, position: int, limit: str | None = "crack.any", parent: str | None = None) -> Flag:
    """A crack the machine flagged; above a limit unless said otherwise."""
    return make_flag(flag_id, Kind.CRACK, string, position, limit, parent)


def make_flag(
    flag_id: str,
    kind: Kind,
    string: int | None,
    position: int | None,
    limit: str | None,
    parent: str | None = None,
    source: Source = Source.MACHINE,
) -> Flag:
    """A flag of any kind."""
    return Flag(
        id=flag_id,
        kind=kind,
        string=string,
        position=position,
        score=0.875,
        outline_px=((1.25, 2.5), (3.75, 4.0)),
        box_px=(1.25, 2.5, 2.5, 1.5),
        message=Message("flag.plain", {"kind": kind.value, "address": f"{string}-{position}"}),
        length_mm=12.5,
        area_fraction=0.0125,
        mode=CrackMode.B if kind is Kind.CRACK else None,
        source=source,
        parent=parent,
        limit=limit,
    )


def image_hash(name: str) -> str:
    """A stand-in for the hash of a picture's bytes."""
    return hashlib.sha256(name.encode()).hexdigest()


def make_result(
    serial: str | None = "000123",
    flags: Iterable[Flag] = (),
    *,
    picture: str | None = None,
    purpose: Purpose = Purpose.PRODUCTION,
    stage: Stage = Stage.BEFORE_LAMINATION,
    usable: bool = True,
    found: bool = True,
    criteria: str = "shipped default 2",
    layout: Layout = LAYOUT,
    image: ImageFacts | None = None,
) -> PanelResult:
    """A result of a 6x10 panel."""
    flags = tuple(flags)
    above = any(flag.limit for flag in flags)
    cells = tuple(
        CellResult(address_of(layout, index), ((0.0, 0.0),) * 4, 1.0, {"crack": index / 1000}, 0.5, True)
        for index in range(layout.n_cells if found else 0)
    )
    picture = picture or f"picture of {serial}"
    return PanelResult(
        serial=serial,
        stage=stage,
        purpose=purpose,
        attempt=1,
        image=image or ImageFacts(f"{picture}.png", image_hash(picture), 1000, 600, 16),
        versions=Versions("0.1.0", recipe_for(layout).label, criteria),
        quality=ImageQuality(usable, 40.0, 1.5, 0.0, 0.5),
        panel=PanelFacts(found, None if found else Message("proposal.not_usable"), layout),
        cells=cells,
        flags=flags,
        proposal=Proposal(Disposition.REWORK if above else Disposition.ACCEPT, (Message("proposal.no_flags"),)),
        timing_s={"total": 0.5},
    )


def recipe_for(layout: Layout = LAYOUT) -> ProductRecipe:
    """The recipe that the results of `make_result` name."""
    return ProductRecipe(f"sunfield {layout.n_cells}", "3", layout, CellFormat(156.0, 156.0))


def exposure_set(*names: str, dark: str | None = None, folder: str = "") -> ImageFacts:
    """Facts of a panel taken in several tiles, each known by its name, and perhaps a dark exposure."""
    tiles = [ExposureFile(f"{folder}{name}.png", image_hash(name), ExposureRole.FULL_CURRENT) for name in names]
    darks = [ExposureFile(f"{folder}{dark}.png", image_hash(dark), ExposureRole.DARK)] if dark is not None else []
    return ImageFacts(
        tiles[0].path,
        tiles[0].sha256,
        tiles=tuple(tile.path for tile in tiles[1:]),
        companions=tuple(file.path for file in darks),
        files=(*tiles, *darks),
    )


def context_line(serial: str, string: int, stringer: str = "A", lane: str = "1", turned: bool = False) -> str:
    """One line of a context CSV."""
    rest = "2026-03-01T06:30:00+01:00,lot 7,Nordquarz,A2,rib 3,op 4,layup 1,bussing 1,EL 1"
    return f"{serial},{string},{serial}-S{string},{stringer},{lane},{str(turned).lower()},{rest}"


def write_context(path: Path, lines: Iterable[str]) -> Path:
    """Write a context CSV."""
    path.write_text("\n".join((HEADER, *lines)) + "\n", encoding="utf-8")
    return path
