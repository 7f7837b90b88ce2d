"""Product recipes of the invented plant, as a plant would write them."""

from importlib import resources

from elinspect.recipe import ProductRecipe, read_recipe

PRODUCTS = ("mono_6x10", "multi_6x10", "half_cut_2x6x12")
"""Names of the recipes beside this module."""


def product_recipe(name: str) -> ProductRecipe:
    """Return one of the invented plant's recipes by its name in `PRODUCTS`."""
    with resources.as_file(resources.files(__name__).joinpath(f"{name}.toml")) as path:
        return read_recipe(path)
