"""Texts about recipes and criteria."""

TEXTS: dict[str, str | tuple[str, str]] = {
    "settings.layout_text": (
        "'{given}' is not a layout. Write strings x cells per string, such as 6x10, or blocks x strings per block x "
        "cells per string, such as 2x6x12."
    ),
    "settings.missing": "The {what} file {file} does not exist. Check the path.",
    "settings.unreadable": "The {what} file {file} cannot be read: {cause}.",
    "settings.not_toml": "The {what} file {file} is not valid TOML: {cause}.",
    "settings.invalid": "The {what} file {file} is wrong at {where}: {cause}.",
    "settings.schema": "The {what} file {file} says schema '{given}'; this program reads '{expected}'.",
    "settings.address": "'{given}' is not an address of this product.",
    "what.recipe": "recipe",
    "what.criteria": "criteria",
}
