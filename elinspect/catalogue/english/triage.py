"""Texts about flags, reasons, proposals and the gate rule."""

TEXTS: dict[str, str | tuple[str, str]] = {
    "gate.role_decide": "Sign in as inspector or quality engineer to decide.",
    "gate.role_answer": "Sign in as inspector or quality engineer to answer flags.",
    "gate.role_quality": "Only a quality engineer can decide '{disposition!d}'.",
    "gate.held": "A panel on hold ends by rework, concession, scrap or a new picture; it cannot simply be accepted.",
    "gate.reason": "'{disposition!d}' needs a reason.",
    "gate.owner": "A hold needs an owner: name who has to settle it.",
    "gate.lock": "This panel is not locked by this station. Open it again.",
    "gate.version": "The panel was changed elsewhere since it was opened. Open it again.",
    "gate.not_found": "The panel was not found in the image, so it cannot be released.",
    "gate.not_usable": "The image is not good enough to judge by, so the panel cannot be released.",
    "gate.layout": "The layout in the image is not the one in the recipe, so the panel cannot be released.",
    "gate.serial": "The panel has no serial, so it cannot be released.",
    "gate.unanswered": (
        "{n} flag above a limit still needs an answer.",
        "{n} flags above a limit still need an answer.",
    ),
    "gate.standing": (
        "{n} flag was confirmed, changed or added and is above a limit: the panel cannot be accepted.",
        "{n} flags were confirmed, changed or added and are above a limit: the panel cannot be accepted.",
    ),
    "flag.plain": "{kind!k} in cell {address}",
    "flag.length": "{kind!k} in cell {address}, {length_mm:.0f} mm long",
    "flag.area": "{kind!k} in cell {address}, {percent:.1f} % of the cell",
    "flag.interruptions": "{interruptions} finger interruptions in cell {address}",
    "flag.interruptions_length": (
        "{interruptions} finger interruptions in cell {address}, {total_length_mm:.0f} mm in sum, the longest "
        "{length_mm:.0f} mm"
    ),
    "flag.crack": "crack in cell {address}, mode {mode}",
    "flag.crack_length": "crack in cell {address}, {length_mm:.0f} mm long, mode {mode}",
    "flag.dark_cell": "dark cell {address}, at {percent:.0f} % of the luminance of cells with the same current",
    "flag.bussing_joint_fault": (
        "{kind!k} at busbar {busbar} of {busbars}, beside position {at_position} of string {at_string}"
    ),
    "flag.open_circuit": (
        "open circuit: no current runs through {cells} cells; check the probes first, then the joints at the "
        "ends of these strings"
    ),
    "flag.bridged_string": (
        "bridged string {address}, at {percent:.0f} % of the luminance of strings with the same current: "
        "current runs past it"
    ),
    "flag.bridged_string_part": (
        "bridged part of string {address}, positions {first_position} to {last_position}: current runs past "
        "these {cells} cells"
    ),
    "flag.dark_string": (
        "dark string {address}, at {percent:.0f} %, while its parallel string is at {partner_percent:.0f} %: open joint"
    ),
    "flag.reversed_cell": (
        "cell {address} gives no light of its own while its string carries current: reversed or shorted"
    ),
    "flag.reversed_cell_sure": (
        "reversed cell {address}: it gives no light of its own while its string carries current, and the supply shows "
        "the voltage of {voltage_surplus_cells:.0f} cells more than usual"
    ),
    "flag.misplaced_cell": (
        "misplaced cell {address}: {shift_mm:.1f} mm from its place, turned by {rotation_deg:.1f}°, narrowest gap "
        "{gap_mm:.1f} mm"
    ),
    "flag.ribbon_offset": (
        "ribbon {ribbon} of cell {address}: {offset_mm:.1f} mm beside its busbar, {bow_mm:.1f} mm off a straight line"
    ),
    "flag.added": "{kind!k} in cell {address}, added by the inspector",
    "flag.redrawn": "{kind!k} in cell {address}, outlined by the inspector",
    "flag.changed": "{kind!k} in cell {address}, changed by the inspector",
    "reason.plain": "{kind!k} in cell {address}; rule {limit}: {disposition!d} {rule!c}",
    "reason.length": "{kind!k} in cell {address}, {length_mm:.0f} mm long; rule {limit}: {disposition!d} {rule!c}",
    "reason.area": "{kind!k} in cell {address}, {percent:.1f} % of the cell; rule {limit}: {disposition!d} {rule!c}",
    "reason.interruptions": (
        "{interruptions} finger interruptions in cell {address}; rule {limit}: {disposition!d} {rule!c}"
    ),
    "reason.interruptions_length": (
        "{interruptions} finger interruptions in cell {address}, {total_length_mm:.0f} mm in sum, the longest "
        "{length_mm:.0f} mm; rule {limit}: {disposition!d} {rule!c}"
    ),
    "reason.crack": "crack in cell {address}, mode {mode}; rule {limit}: {disposition!d} {rule!c}",
    "reason.crack_length": (
        "crack in cell {address}, {length_mm:.0f} mm long, mode {mode}; rule {limit}: {disposition!d} {rule!c}"
    ),
    "reason.dark_cell": (
        "dark cell {address}, at {percent:.0f} % of the luminance of cells with the same current; "
        "rule {limit}: {disposition!d} {rule!c}"
    ),
    "reason.bussing_joint_fault": (
        "{kind!k} at busbar {busbar} of {busbars}, beside position {at_position} of string {at_string}; "
        "rule {limit}: {disposition!d} {rule!c}"
    ),
    "reason.open_circuit": (
        "open circuit: no current runs through {cells} cells; check the probes first, then the joints at the "
        "ends of these strings; rule {limit}: {disposition!d} {rule!c}"
    ),
    "reason.bridged_string": (
        "bridged string {address}, at {percent:.0f} % of the luminance of strings with the same current: "
        "current runs past it; rule {limit}: {disposition!d} {rule!c}"
    ),
    "reason.bridged_string_part": (
        "bridged part of string {address}, positions {first_position} to {last_position}: current runs past "
        "these {cells} cells; rule {limit}: {disposition!d} {rule!c}"
    ),
    "reason.dark_string": (
        "dark string {address}, at {percent:.0f} %, while its parallel string is at {partner_percent:.0f} %: "
        "open joint; rule {limit}: {disposition!d} {rule!c}"
    ),
    "reason.reversed_cell": (
        "cell {address} gives no light of its own while its string carries current: reversed or shorted; "
        "rule {limit}: {disposition!d} {rule!c}"
    ),
    "reason.reversed_cell_sure": (
        "reversed cell {address}: it gives no light of its own while its string carries current, and the supply shows "
        "the voltage of {voltage_surplus_cells:.0f} cells more than usual; rule {limit}: {disposition!d} {rule!c}"
    ),
    "reason.misplaced_cell": (
        "misplaced cell {address}: {shift_mm:.1f} mm from its place, turned by {rotation_deg:.1f}°, narrowest gap "
        "{gap_mm:.1f} mm; rule {limit}: {disposition!d} {rule!c}"
    ),
    "reason.ribbon_offset": (
        "ribbon {ribbon} of cell {address}: {offset_mm:.1f} mm beside its busbar, {bow_mm:.1f} mm off a straight line; "
        "rule {limit}: {disposition!d} {rule!c}"
    ),
    "reason.several": "{count} times {kind!k} in cell {address}; rule {limit}: {disposition!d} {rule!c}",
    "condition.any": "whatever its size",
    "condition.not_named": "because the criteria do not name this kind",
    "condition.not_judgeable": "because the criteria say that no picture of this product can be judged by it",
    "condition.modes": "for mode {asked} (found {found})",
    "condition.patterns": "for pattern {asked} (found {found})",
    "condition.with_kinds": "together with {asked}",
    "condition.min_length_mm": "from {asked} mm long (found {found})",
    "condition.min_area_percent": "from {asked} % of the cell in sum (found {found})",
    "condition.above_no_loss_percent": "from this product's no-loss limit of {asked} % of the cell (found {found})",
    "condition.min_count_per_cell": "from {asked} on a cell (found {found})",
    "condition.min_cells_per_string": "from {asked} cells of a string (found {found})",
    "condition.min_cells_per_panel": "from {asked} cells of the panel (found {found})",
    "condition.min_cells": "from {asked} cells of the panel (found {found})",
    "condition.at_least": "from a {measure} of {asked} {unit} (found {found})",
    "condition.at_most": "up to a {measure} of {asked} {unit} (found {found})",
    "condition.loss_w": "from a loss of {asked} W (estimated {found})",
    "condition.loss_percent": "from a loss of {asked} % (estimated {found})",
    "condition.unless_loss_w": "unless the loss lies below {asked} W (estimated {found})",
    "condition.unless_loss_percent": "unless the loss lies below {asked} % (estimated {found})",
    "condition.panel_loss_w": "from a loss of {asked} W of the whole panel (estimated {found})",
    "condition.panel_loss_percent": "from a loss of {asked} % of the whole panel (estimated {found})",
    "rework.hold": "Hold for engineering: {kind!k} {address}.",
    "rework.hold_attempts": (
        "Hold for engineering: the panel was reworked {n} time already, the plant's rule allows {most}.",
        "Hold for engineering: the panel was reworked {n} times already, the plant's rule allows {most}.",
    ),
    "rework.retake": "Put right what the reason names, and take a new picture: nothing was judged by this one.",
    "rework.check_probes": "Check the contact of the probes and take a new picture before anything is opened.",
    "rework.remove_foreign_body": "Remove the foreign body at cell {address}.",
    "rework.swap_count": (
        "Swap string {address}: {n} bad cell, the plant's rule replaces at most {most}.",
        "Swap string {address}: {n} bad cells, the plant's rule replaces at most {most}.",
    ),
    "rework.swap_costs": (
        "Swap string {address}: cheaper than replacing {n} cell.",
        "Swap string {address}: cheaper than replacing {n} cells.",
    ),
    "rework.swap_multi_wire": (
        "Swap string {address}: {n} bad cell; half cells with many wires are not replaced singly.",
        "Swap string {address}: {n} bad cells; half cells with many wires are not replaced singly.",
    ),
    "rework.replace_cell": "Replace cell {address}: {kind!k}.",
    "rework.turn_cell": "Turn or replace cell {address}: it works against its string.",
    "rework.resolder_ribbon": "Resolder the ribbon of cell {address}: {kind!k}.",
    "rework.joints_of_string": "Resolder the bussing joints at the ends of string {address}: {kind!k}.",
    "rework.joints_of_panel": "Look for the open bussing joint and resolder it: {kind!k}.",
    "rework.remove_bridge": "Remove the bridge that shorts string {address}; resolder its bussing joints.",
    "rework.realign": "Realign cell {address}: {kind!k}.",
    "recheck.gone": "After rework: {kind!k} {address} is gone.",
    "recheck.still_there": "After rework: {kind!k} {address} is still there.",
    "recheck.moved": "After rework: {kind!k} {address} is gone from its place, but there is one elsewhere in the cell.",
    "recheck.not_judged": "After rework: {kind!k} {address} could not be judged again.",
    "recheck.new": "New since the attempt before: {kind!k} {address}.",
    "recheck.damage": "New at or beside the reworked place: {kind!k} {address}. Look for damage by the rework.",
    "recheck.not_replaced": "Cell {address} should be a new one and looks the same as before.",
    "recheck.changed": "Cell {address} should be untouched and looks like another one.",
    "recheck.no_fingerprints": "The pictures hold no fingerprints, so nobody checked that it is the same panel.",
    "recheck.nothing_logged": "The bench logged nothing about this rework; the plan stands in for it.",
    "proposal.not_usable": "The image is not good enough to judge by.",
    "proposal.no_flags": "No flags.",
    "proposal.below_limits": (
        "{n} flag, below every limit.",
        "{n} flags, all below every limit.",
    ),
    "quality.unjudged.masked": "Not judged, masked, or cut by every tile: {cells}.",
    "quality.unjudged.masked_and_more": "Not judged, masked, or cut by every tile: {cells} and {more} more.",
    "quality.unjudged.saturated": "Not judged, the picture is saturated there: {cells}.",
    "quality.unjudged.saturated_and_more": "Not judged, the picture is saturated there: {cells} and {more} more.",
    "quality.unjudged.noisy": "Not judged, too little light over the noise: {cells}.",
    "quality.unjudged.noisy_and_more": "Not judged, too little light over the noise: {cells} and {more} more.",
    "quality.unjudged.no_light": "Not judged, the picture shows no light: {cells}.",
    "quality.unjudged.no_light_and_more": "Not judged, the picture shows no light: {cells} and {more} more.",
    "quality.unjudged.soft": "Not judged, the picture is out of focus there: {cells}.",
    "quality.unjudged.soft_and_more": "Not judged, the picture is out of focus there: {cells} and {more} more.",
    "quality.kinds_not_judgeable": "Not judged on this product, as the criteria say: {kinds!k}.",
    "quality.kinds_not_seen": "Not judged, because this picture does not show what they are told by: {kinds!k}.",
    "quality.unjudged_cells": (
        "{n} cell could not be judged (allowed: {limit}). Retake the image.",
        "{n} cells could not be judged (allowed: {limit}). Retake the image.",
    ),
    "quality.layout_seen.cut_1": (
        "Told from the picture: layout {layout}, whole cells, busbars: {busbars} (confidence "
        "{percent:.0f} %). A recipe says more: cell size, address scheme, camera side."
    ),
    "quality.layout_seen.cut_2": (
        "Told from the picture: layout {layout}, half-cut cells, busbars: {busbars} (confidence "
        "{percent:.0f} %). A recipe says more: cell size, address scheme, camera side."
    ),
    "quality.layout_seen.cut_3": (
        "Told from the picture: layout {layout}, cells cut in three, busbars: {busbars} (confidence "
        "{percent:.0f} %). A recipe says more: cell size, address scheme, camera side."
    ),
    "quality.other_busbars": (
        "The recipe says {given} busbars or wires, the picture shows {seen}. Check that recipe and "
        "panel belong together."
    ),
    "quality.assumed_size": (
        "The cell size was assumed to be {along_mm:.0f} mm x {across_mm:.0f} mm (along x across the string), since "
        "only a layout was given; no figures in mm are given."
    ),
}
