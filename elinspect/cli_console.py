"""What all commands share: where they print, progress, errors in words."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from elinspect.errors import ElinspectError, SettingsFileError
from elinspect.records import Layout

if TYPE_CHECKING:
    from elinspect.recipe import Product

out = Console(highlight=False, soft_wrap=True)
err = Console(stderr=True, highlight=False, soft_wrap=True)


def log_place(log: str | None) -> str:
    """Return the log that was asked for, or this user's own."""
    from elinspect.operations.log_place import default_log_path

    return log or str(default_log_path())


LogOption = Annotated[str | None, typer.Option("--log", metavar="URL", help="The log: a file or a database URL.")]


def in_words(command: Callable[..., Any]) -> Callable[..., Any]:
    """Report errors of the world's making in words and end with exit code 1."""

    @wraps(command)
    def run(*arguments: Any, **options: Any) -> Any:
        try:
            return command(*arguments, **options)
        except ElinspectError as error:
            err.print(str(error), style="bold red", markup=False)
            raise typer.Exit(1) from error

    return run


RecipeOption = Annotated[Path | None, typer.Option(help="Product recipe (TOML).", metavar="FILE")]
LayoutOption = Annotated[str | None, typer.Option(help="Layout instead of a recipe: 6x10, 2x6x12, 1x1.", metavar="L")]


def product_of(recipe: Path | None, layout: str | None) -> "Product":
    """Return the product of a recipe file, or of a layout alone."""
    from elinspect.recipe import Product, assumed_product, read_recipe

    if recipe is not None and layout is None:
        return Product(read_recipe(recipe))
    if recipe is not None or layout is None:
        raise typer.BadParameter("give either --recipe or --layout", param_hint="--recipe / --layout")
    try:
        return assumed_product(Layout.parse(layout))
    except SettingsFileError as error:
        raise typer.BadParameter(str(error), param_hint="--layout") from error


@contextmanager
def progress_bar() -> Iterator[Progress]:
    """Show progress on the error stream, so that what a command prints can be piped; gone when done."""
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=err, transient=True) as progress:
        yield progress
