"""Texts of the rework ticket."""

TEXTS: dict[str, str | tuple[str, str]] = {
    "ticket.title": "Rework ticket",
    "ticket.panel": "Product {product}, layout {layout}{customer}",
    "ticket.customer": ", for {customer}",
    "ticket.attempt": "Gate inspection {attempt}; reworks the plant's rule still allows: {left}",
    "ticket.decided": "Rework decided by {name} at {at}",
    "ticket.proposed": "Not decided yet: steps as proposed, without an inspector's answer",
    "ticket.other_decision": "Decided: {disposition!d}, by {name} at {at}",
    "ticket.view": "Map as the bench sees the panel: {side} up, {mirrored}. {first} is at the {corner}.",
    "ticket.mirrored": "mirrored against the gate's picture (left and right change places)",
    "ticket.not_mirrored": "not mirrored against the gate's picture",
    "ticket.turned": ", then turned clockwise by {degrees}°",
    "ticket.marks_not_stated": (
        "Leads or label are not stated in the recipe of {product}: find them on the panel first."
    ),
    "ticket.label": "label",
    "ticket.steps": "Steps, in this order",
    "ticket.minutes": "({minutes:.0f} min)",
    "ticket.more_steps": (
        "{n} more step does not fit here: read it on the screen before starting.",
        "{n} more steps do not fit here: read them on the screen before starting.",
    ),
    "ticket.more_pictures": (
        "{n} more place is marked in the map only.",
        "{n} more places are marked in the map only.",
    ),
    "ticket.no_picture": "The picture is not there any more.",
    "ticket.fields_done": "Done by ____________________   Minutes ________   New string id ____________________",
    "ticket.fields_removed": "Removed part:   scrapped [   ]   reused [   ]   kept [   ]      Signature ____________",
    "ticket.cautions": (
        "Current off and leads safe before anybody reaches in: a panel under forward current, or in light, is live DC. "
        "Broken cells are sharp and splinter: gloves and eye protection. Hot iron, flux fumes: extraction on. Check "
        "serial and address on the panel before cutting anything. Then back to the gate for a new picture. The plant's "
        "procedures and local codes come first; this ticket supports the work, it certifies nothing."
    ),
    "ticket.caution_short": (
        "Current off, leads safe (live DC). Broken cells cut: gloves, eye protection. Hot iron. Check serial and "
        "address before cutting. Plant's procedures come first."
    ),
    "ticket.origin": "Inspection {inspection} · criteria {criteria} · recipe {recipe}",
    "ticket.no_plan": "The panel {serial} needs no rework: nothing that stands reaches a limit.",
    "ticket.no_recipe": "The log does not have the recipe {recipe}, so the bench's view of the panel is not known.",
    "ticket.no_panel": "The log has no inspection of the panel {serial}.",
}
