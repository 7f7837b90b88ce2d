"""Texts about losses and what they rest on."""

TEXTS: dict[str, str | tuple[str, str]] = {
    "loss.no_data": "The recipe does not give Voc, Isc, Vmp and Imp, so no watts are given.",
    "loss.no_diode": "The recipe's electrical data contradict each other ({cause}), so no watts are given.",
    "loss.estimate": (
        "Watts are an estimate from a picture for 1000 W/m² and 25 °C, not a rating; the cell follows from the "
        "datasheet values in the recipe."
    ),
    "loss.breakdown_given": "Reverse breakdown of a cell at {volts:.0f} V, from the recipe.",
    "loss.breakdown_measured": (
        "Reverse breakdown of a cell assumed at {volts:.0f} V, as measured on front-contact p-type cells."
    ),
    "loss.breakdown_practice": "Reverse breakdown of a cell assumed at {volts:.0f} V (common practice, no source).",
    "loss.diodes_stated": "Bypass diodes as stated in the recipe, at 0.5 V.",
    "loss.diodes_assumed": "One bypass diode for every two strings in series assumed (common practice), at 0.5 V.",
    "loss.tied": "Parallel parts of the panel taken as tied together at every bypass diode.",
    "loss.cracks": (
        "Cracks that cut nothing off cost nothing now; at worst each cuts off what its flag says, else {percent:.0f} % "
        "of the cell (upper published share for cracks parallel to busbars)."
    ),
    "loss.upper_bound": (
        "Finger interruptions and solder faults reckoned as if their dark part were cut off: an upper bound."
    ),
    "loss.dark_cells": (
        "Dark cells lack the voltage their light tells; below {percent:.0f} % of the usual light they are reckoned as "
        "shorted. At worst they carry no current."
    ),
    "command.loss": "estimated loss of the finished module: {loss_w:.1f} W now, {worst_w:.1f} W at worst",
    "loss.not_reckoned": "Not reckoned: {kind!k}.",
}
