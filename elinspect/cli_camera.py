"""Commands about cameras."""

from pathlib import Path
from typing import Annotated

import typer

from elinspect.catalogue import words
from elinspect.cli_console import LayoutOption, RecipeOption, in_words, out, product_of

camera_app = typer.Typer(no_args_is_help=True, help="Camera files: dark frame, flat field, bad pixels, lens.")


@camera_app.callback()
def _group() -> None:
    """Keep the group a group while it has one command."""


@camera_app.command()
@in_words
def calibrate(
    camera: Annotated[Path, typer.Option("--out", help="The camera file to write.", metavar="FILE")],
    name: Annotated[str, typer.Option(help="The plant's name for the camera.")],
    dark: Annotated[
        list[Path] | None, typer.Option(help="Images without any light; a folder stands for its images.")
    ] = None,
    flat: Annotated[list[Path] | None, typer.Option(help="Images of an evenly lit surface.")] = None,
    dots: Annotated[list[Path] | None, typer.Option(help="Images of a dot target in the panel's plane.")] = None,
    chequers: Annotated[list[Path] | None, typer.Option(help="Images of a chequerboard in the panel's plane.")] = None,
    columns: Annotated[int, typer.Option(help="Dots, or inner corners, along the target.", min=4)] = 11,
    rows: Annotated[int, typer.Option(help="Dots, or inner corners, down the target.", min=4)] = 8,
    panels: Annotated[
        list[Path] | None,
        typer.Option(help="Images of panels, for the fall-off of light if there is no flat field."),
    ] = None,
    recipe: RecipeOption = None,
    layout: LayoutOption = None,
) -> None:
    """Make a camera file from images and say how good it is.

    All images at the settings used for panels: exposure time, gain, aperture, focus. Give each option as often as
    needed. Images that cannot serve are refused with the reason. An energised panel is live DC: switch the supply off
    before reaching in to place a target.
    """
    if dots and chequers:
        raise typer.BadParameter("give one kind of target", param_hint="--dots / --chequers")
    if not (dark or flat or dots or chequers or panels):
        raise typer.BadParameter("give images to calibrate from", param_hint="--dark / --flat / --dots / --chequers")

    from elinspect.imaging.calibration import Sources
    from elinspect.imaging.target import Pattern, Target
    from elinspect.operations.cameras import PanelSources, calibrate_camera, picture_files

    shown = picture_files(dots or chequers or ())
    pattern = Target(Pattern.DOTS if dots else Pattern.CHEQUERS, columns, rows) if shown else None
    sources = Sources(picture_files(dark or ()), picture_files(flat or ()), shown, pattern)
    of_panels = PanelSources(picture_files(panels), product_of(recipe, layout)) if panels else None
    for line in calibrate_camera(name, sources, camera, of_panels):
        out.print(line.text, markup=False)
    out.print(words("command.written", file=str(camera)), markup=False)
