"""Texts of figures, analyses and reports."""

TEXTS: dict[str, str | tuple[str, str]] = {
    "figure.cells": ("{n} cell", "{n} cells"),
    "figure.pareto_title": "Pareto by {by}",
    "figure.weights_unreadable": "The file {file} cannot be read: {cause}.",
    "figure.weights": (
        "The file {file} needs a table [{table}] with a number for each kind, such as crack = 1.5 ({cause})."
    ),
    "figure.suffix": "{file} cannot be written: the name must end in {known}.",
    "figure.no_parquet": "Parquet needs a further library. Install it with: pip install 'elinspect[parquet]'.",
    "figure.cumulative": "cumulative share",
    "figure.rest": ("{n} more", "{n} more"),
    "figure.position": "position from the leading end",
    "figure.feed": "feed direction",
    "figure.leaves_first": "edge that leaves the stringer first",
    "figure.flagged_strings": "flagged strings [%]",
    "figure.note": "{purpose} · {stage} · {period} · {filters}n = {n}",
    "figure.period": "{first} to {last}",
    "figure.whole_log": "whole log",
    "figure.only": "only {what} · ",
    "paper.caution": "Supports a judgement; certifies nothing. The plant's procedures and local codes come first.",
    "paper.page": "page {page}",
    "paper.no_picture": "The picture {file} is not there any more.",
    "place.0": "first third of the cell, left",
    "place.1": "first third of the cell, middle",
    "place.2": "first third of the cell, right",
    "place.3": "middle third of the cell, left",
    "place.4": "middle of the cell",
    "place.5": "middle third of the cell, right",
    "place.6": "last third of the cell, left",
    "place.7": "last third of the cell, middle",
    "place.8": "last third of the cell, right",
    "commonality.all_lanes": "all lanes",
    "commonality.title": "Commonality analysis · {kinds} · purpose: {purpose}",
    "commonality.all_kinds": "all kinds",
    "commonality.accused_stringer": (
        "Stringer {stringer}: all its lanes make more flags than the others. Look at what they share."
    ),
    "commonality.accused_lane": (
        "Stringer {stringer}, lane {lane}: more flags than the others, at any place. Check this lane."
    ),
    "commonality.accused_position": (
        "Stringer {stringer}, lane {lane}: flags at position {position} from the leading end. Check what touches this "
        "cell there."
    ),
    "commonality.accused_place": (
        "Stringer {stringer}, lane {lane}: flags at one place in the cell ({place}, seen in feed direction), whatever "
        "the position. Check the part that touches every cell there."
    ),
    "commonality.accused_position_and_place": (
        "Stringer {stringer}, lane {lane}: flags at position {position} from the leading end, {place} (seen in feed "
        "direction). Check the part that touches the cell there."
    ),
    "commonality.lot": (
        "Cell lot {lot}: more flags than the other lots in every lane alike. Block the lot, ask the supplier."
    ),
    "commonality.cannot_be_separated": (
        "Stringer {stringer}, lane {lane} and its cell lots cannot be separated: no other lane used them at the time. "
        "Run one of these lots on another lane, or another lot on this lane."
    ),
    "commonality.nothing": "No machine place and no lot stands out.",
    "commonality.not_enough": "Not enough data: nothing stands out, and little could.",
    "commonality.evidence": (
        "{observed} flagged strings where {expected:.1f} would be expected; chance of such an excess anywhere in the "
        "search: {p:.4f}."
    ),
    "commonality.onset": (
        "Since about {day} (95 %: {low} to {high}) at {times:.1f} times the rate of the others: {flagged} of {strings} "
        "strings."
    ),
    "commonality.cluster": (
        "{n} flags gather at one place in the cell ({along:.0%} from the edge that leaves first, {across:.0%} from the "
        "left), {expected:.1f} expected there."
    ),
    "commonality.nearby": "Near the onset: {what}.",
    "commonality.repair_helped": "The repair '{what}' ({at}) helped: since then {flagged} in {strings} strings.",
    "commonality.repair_partly": (
        "The repair '{what}' ({at}) helped only partly: since then {flagged} in {strings} strings, still more than the "
        "others."
    ),
    "commonality.repair_did_not_help": (
        "The repair '{what}' ({at}) did not help: since then {flagged} in {strings} strings."
    ),
    "commonality.repair_not_enough_data": (
        "Since the repair '{what}' ({at}) {flagged} in {strings} strings: too few to tell, {n} more are needed."
    ),
    "commonality.missing": (
        "{n} more cell of every lane is needed before a lane at {times:.0f} times the rate would be found.",
        "{n} more cells of every lane are needed before a lane at {times:.0f} times the rate would be found.",
    ),
    "commonality.repeats": (
        "{n} flag repeats the wafer beside it and is listed apart.",
        "{n} flags repeat the wafer beside them and are listed apart.",
    ),
    "commonality.basis": "{flagged} flagged cells in {cells} cells inspected, {first} to {last}.",
    "commonality.lanes": "All lanes",
    "commonality.leads": "To look into (no accusation; false discovery rate)",
    "commonality.examples": "Inspections that show it",
    "commonality.map": "Flags by lane and position",
    "commonality.places": "Places in the cell",
    "commonality.timeline": "Flagged strings of the suspect",
    "commonality.counted_confirmed": "confirmed flags · ",
    "commonality.counted_proposed": "flags of the machine · ",
    "commonality.level": "accused where chance is below {level:.5f}; found: {p:.5f}",
    "commonality.caution": (
        "Before anybody reaches into a machine: stop it, lock it, follow the plant's procedure. Broken cells cut."
    ),
    "fact.period": "Period",
    "fact.counted": "Counted",
    "fact.level": "Certainty",
    "fact.heads": "Ends of the log",
    "fact.made": "Made",
    "column.name": "name",
    "column.lane": "stringer / lane",
    "column.flagged": "flagged cells",
    "column.cells": "cells",
    "column.rate": "rate",
    "column.interval": "95 % interval",
    "column.group": "group",
    "column.times": "times the others",
    "column.adjusted": "adjusted p",
    "column.day": "day",
    "lead.stringer": "stringer",
    "lead.lane": "lane",
    "lead.cell_lot": "cell lot",
    "lead.cell_supplier": "cell supplier",
}
