"""Texts of replaying the log under other criteria."""

TEXTS: dict[str, str | tuple[str, str]] = {
    "what_if.judging": "Judging the log again",
    "what_if.judged": (
        "{n} inspection judged again under '{criteria}', dismissed flags left out.",
        "{n} inspections judged again under '{criteria}', dismissed flags left out.",
    ),
    "what_if.not_replayed": (
        "{n} inspection left out: the log does not have its recipe or criteria.",
        "{n} inspections left out: the log does not have their recipe or criteria.",
    ),
    "what_if.title": "What the criteria suggest",
    "what_if.before": "then",
    "what_if.after": "under the other criteria",
    "what_if.panels": "panels",
    "what_if.sides": "Panels that change side: {accepted} would go on to the press, {refused} would not any more.",
    "what_if.cells": "Cells above a limit: {freed} no longer, {caught} newly.",
    "what_if.minutes": "Rework: {before:.0f} min then, {after:.0f} min under the other criteria.",
    "what_if.no_minutes": "Rework: minutes are not known; give costs in the criteria, or log the bench's minutes.",
    "what_if.watts": (
        "Estimated loss of the panels that go on: {before:.1f} W then, {after:.1f} W under the other criteria; at "
        "worst {worst_before:.1f} W and {worst_after:.1f} W. Panels of products without electrical data are left out."
    ),
    "what_if.panel": "  {serial}: {before} -> {after}, estimated loss {loss_w:.1f} W (inspection {inspection})",
    "what_if.more": ("  ... and {n} more panel.", "  ... and {n} more panels."),
    "what_if.flash": "Flash results of {product}: {groups} groups of like modules (cell class, tester, shift).",
    "what_if.flash_nothing": (
        "Nothing to compare: {n} flashed module, too few with and without a loss in any group.",
        "Nothing to compare: {n} flashed modules, too few with and without a loss in any group.",
    ),
    "what_if.group": (
        "  class {cell_class}, tester {tester}, {shift}: {n} module with a loss, {m} without; predicted "
        "{predicted:.2f} W, measured {measured:.2f} ± {error:.2f} W; smallest detectable difference {smallest:.2f} W",
        "  class {cell_class}, tester {tester}, {shift}: {n} modules with a loss, {m} without; predicted "
        "{predicted:.2f} W, measured {measured:.2f} ± {error:.2f} W; smallest detectable difference {smallest:.2f} W",
    ),
    "what_if.flash_agrees": (
        "Measured less predicted loss: {difference:.2f} ± {error:.2f} W, no difference shown. Smallest detectable "
        "difference {smallest:.2f} W; holds only for predicted losses of {low:.1f} to {high:.1f} W, which "
        "were laminated."
    ),
    "what_if.flash_differs": (
        "Measured less predicted loss: {difference:.2f} ± {error:.2f} W: the prediction is off. Smallest detectable "
        "difference {smallest:.2f} W; holds only for predicted losses of {low:.1f} to {high:.1f} W, which "
        "were laminated."
    ),
}
