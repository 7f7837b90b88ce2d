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
    "criteria.no_fallback": "above_no_loss_limit needs min_area_fraction too, for products without electrical data",
    "criteria.measurement": "at_least / at_most: '{measurement}' is no measurement; known are {known}",
    "criteria.not_measured": "'{measurement}' is not measured on {kind!k}",
    "criteria.empty_range": "at_least and at_most of '{measurement}' exclude each other",
    "criteria.loss_twice": "min_loss and unless_loss_below say the same twice; give one of them",
    "criteria.same_name": "two limits have the same name",
    "criteria.reserved_name": "the name '{name}' is the program's own",
    "criteria.limits_not_judged": "a kind that is {judgement} cannot have limits",
    "criteria.judged_without_limit": (
        "a judged kind needs at least one limit; to let it pass, write judgement = 'shown'"
    ),
    "criteria.unreachable": "the limit '{limit}' is never looked at: every flag reaches '{before}' before it",
    "criteria.panel_without_condition": "a limit of the panel needs a condition: min_cells, min_loss_w or another",
    "criteria.override_for_nobody": "products or customers must name whom the override is for",
    "criteria.overrides_meet": "'{first}' and '{second}' both give {table} for the same product and customer",
    "criteria.cracks_only": "modes and patterns are conditions of cracks only",
    "criteria.watts_and_cracks": (
        "watts decide about a crack; that holds only with watts_may_relax_cracks = true at the top of the file"
    ),
    "criteria.costs_missing": "rule = 'costs' needs costs.swap_string and costs.replace_cell",
    "criteria.no_cell": "{kind!k} is no flag of a cell; conditions per cell or string cannot hold",
    "what.recipe": "recipe",
    "what.criteria": "criteria",
    "what.capture": "capture",
}
