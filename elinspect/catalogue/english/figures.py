"""Texts of figures, analyses and reports."""

TEXTS: dict[str, str | tuple[str, str]] = {
    "figure.flagged_cells": "Flagged cells",
    "figure.newest_weeks": "newest four weeks",
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
    "figure.string": "string as it is made",
    "figure.leaves_first": "edge that leaves the stringer first",
    "figure.flagged_strings": "flagged strings [%]",
    "figure.note": "{purpose} · {stage} · {period} · {filters}n = {n}",
    "figure.period": "{first} to {last}",
    "figure.since": "since {first}",
    "figure.whole_log": "whole log",
    "figure.only": "only {what} · ",
    "figure.widened": "95 % intervals widened {times:.1f} times for variation between days · ",
    "shift.number": "There is no shift {number}: shifts of this plant begin at {shifts}.",
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
    "commonality.accused_operator": (
        "Strings made under operator {name} have more flags than the others made at the same time, on every stringer "
        "alike. Look at the work together: settings, handling, training. A finding about a way of working, no verdict "
        "on a person."
    ),
    "commonality.accused_layup_machine": (
        "Lay-up machine {name}: strings laid there have more flags than the others, whatever stringer made them. Check "
        "grippers, suction and the transfer of strings."
    ),
    "commonality.accused_bussing_machine": (
        "Bussing machine {name}: strings joined there have more flags than the others, whatever stringer made them. "
        "Check heads, hold-downs and the handling of the laid panel."
    ),
    "commonality.rivals": (
        "{who} and {others} cannot be separated: they handled nearly the same strings at the time. Let one of them "
        "work with another for some hours, then look again."
    ),
    "commonality.lot_begun": "{day} cell lot {lot} begun",
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
        "search: at most {p:.4f}."
    ),
    "commonality.onset": (
        "Since about {day} (95 %: {low} to {high}) at {times:.1f} times the rate of the others: {flagged} of {strings} "
        "strings."
    ),
    "commonality.charged": "Charged by the stage that saw these cells first: {counts}.",
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
    "commonality.lead": "{what} {name} ({times:.1f} times the others)",
    "commonality.look_into": (
        "Nobody is accused, but look into {groups}. Pictures of other EL stations or inspectors may be judged "
        "differently, and that be the reason."
    ),
    "commonality.missing": (
        "{n} more cell of every lane is needed before a lane at {times:.0f} times the rate would be found.",
        "{n} more cells of every lane are needed before a lane at {times:.0f} times the rate would be found.",
    ),
    "commonality.repeats": (
        "{n} flag repeats the wafer beside it and is listed apart.",
        "{n} flags repeat the wafer beside them and are listed apart.",
    ),
    "commonality.nothing_decided": (
        "Nothing could be searched: no panel of this purpose and period, from strings whose stringer is known, has been"
        " decided yet. What the machine flagged can be searched before anybody decides (proposed)."
    ),
    "commonality.basis": "{flagged} flagged cells in {cells} cells inspected, {first} to {last}.",
    "commonality.lanes": "All lanes",
    "commonality.leads": "To look into (no accusation; false discovery rate)",
    "commonality.repeated": "Cells that repeat the wafer beside them (serial string-position; the newest)",
    "commonality.examples": "Cells that show it",
    "commonality.as_photographed": "serial · string-position; as photographed, contrast stretched for each cell",
    "commonality.map": "Flags by lane and position",
    "commonality.places": "Places in the cell",
    "commonality.timeline": "Flagged strings of the suspect",
    "commonality.counted_confirmed": "confirmed flags · ",
    "commonality.counted_proposed": "flags of the machine · ",
    "commonality.level": "accused where the chance of a false alarm is below {level:.5f}; here at most {p:.5f}",
    "commonality.caution": (
        "Before anybody reaches into a machine: stop it, lock it, follow the plant's procedure. Broken cells cut."
    ),
    "fact.period": "Period",
    "fact.counted": "Counted",
    "fact.level": "Certainty",
    "fact.heads": "Ends of the log",
    "fact.made": "Made",
    "chart.first_pass_yield": "First-pass yield",
    "chart.flagged_cells": "Confirmed flagged cells",
    "chart.flagged_cells_ewma": "Confirmed flagged cells, moving average",
    "chart.flagged_cells_cusum": "Confirmed flagged cells, cumulative sum",
    "chart.rework_success": "Rework success",
    "chart.escapes": "Escapes seen after lamination",
    "chart.unusable_pictures": "Pictures that could not be judged",
    "chart.signal_to_noise": "Signal to noise of the pictures",
    "chart.sharpness_px": "Sharpness of the pictures",
    "chart.takt": "Time from panel to panel",
    "chart.unit.first_pass_yield": "accepted at the first attempt",
    "chart.unit.flagged_cells": "flagged cells",
    "chart.unit.flagged_cells_ewma": "flagged cells",
    "chart.unit.flagged_cells_cusum": "sum of deviations [sigma]",
    "chart.unit.rework_success": "accepted after rework",
    "chart.unit.escapes": "panels with an escape",
    "chart.unit.unusable_pictures": "pictures",
    "chart.unit.signal_to_noise": "ratio (median, 10-90 %)",
    "chart.unit.sharpness_px": "width of an edge [px] (median, 10-90 %)",
    "chart.unit.takt": "seconds (median, 10-90 %)",
    "chart.unit.between.first_pass_yield": "accepted between two that were not",
    "chart.unit.between.rework_success": "accepted between two that were not",
    "chart.unit.between.flagged_cells": "sound cells between two flagged",
    "chart.unit.between.escapes": "panels between two escapes",
    "chart.unit.between.unusable_pictures": "good pictures between two bad ones",
    "chart.sort.p": "p chart",
    "chart.sort.u": "u chart",
    "chart.sort.g": "g chart, those of a day taken as evenly spread",
    "chart.sort.ewma": "EWMA, weight 0.2",
    "chart.sort.cusum": "CUSUM (0.5, 5), anew after a signal",
    "chart.sort.run": "median and range",
    "chart.widened": ", limits widened {times:.1f} times for variation between days",
    "chart.joined": ", days joined until five are expected",
    "chart.out": "beyond a limit",
    "chart.whole": "{title}: {value} in the whole period{interval}; n = {cells}.",
    "chart.beyond": "{out} of {n} points beyond a limit.",
    "chart.value.signal_to_noise": "median {value:.1f}",
    "chart.value.sharpness_px": "median {value:.2f} px",
    "chart.value.takt": "median {value:.0f} s",
    "chart.interval": " (95 %: {low:.2%} to {high:.2%})",
    "chart.empty": "{title}: nothing was logged in this period.",
    "column.value": "value",
    "column.centre": "centre",
    "column.low": "lower limit",
    "column.high": "upper limit",
    "column.out": "signal",
    "column.count": "count",
    "column.n": "n",
    "alert.place": (
        "Stringer {stringer}, lane {lane}, position {position} from the leading end: flagged in {flagged} of the last "
        "{n} strings ({at})."
    ),
    "alert.lane": "Stringer {stringer}, lane {lane}: {flagged} flagged strings in {n}, far more than usual ({at}).",
    "alert.failed": "The panel is logged, but its lanes could not be looked at for alerts ({cause}).",
    "alert.none": "No alert in the newest days.",
    "alert.title": "Alert · stringer {stringer}, lane {lane}",
    "alert.where": "Where",
    "alert.lane_name": "stringer {stringer}, lane {lane}",
    "alert.any_position": "any",
    "alert.kind": "Kind",
    "alert.touching": "What touches there",
    "alert.no_part": "not in the tool map",
    "alert.last_work": "Last maintenance",
    "alert.since_work": "Since that work",
    "alert.counts": "{flagged} in {n} cells",
    "alert.false_alarms": (
        "False alarms of this rule: at most about {n:.0f} in a million strings of the plant; all rules and lanes "
        "together: one in {together:.0f} strings."
    ),
    "alert.card": "Card for the machine: {file}",
    "alert.new": "ALERT · {alert}",
    "alert.panels": "Panels that show it",
    "tool_map.broken": "The tool map {file} cannot be read as TOML: {cause}.",
    "tool_map.part": "The tool map {file}, part {number}: a key is missing, unknown or has a wrong value ({cause}).",
    "containment.undecided": "not decided",
    "containment.replaced": "taken out at the bench ({fate})",
    "containment.released": "released to the press",
    "containment.scrapped": "scrapped",
    "containment.at_stage": "last seen: {stage}",
    "containment.title": "Containment · {what} since {since}",
    "containment.no_scores": (
        "Of {n} strings the log holds no scores of their cells, so nothing could be scored again: panels simulated as "
        "records, or a place that is not known because the string's direction is not."
    ),
    "containment.told": (
        "{strings} strings in {panels} panels; {released} of these panels are released, {above} strings hold a cell "
        "above the tighter limit."
    ),
    "column.serial": "serial",
    "column.string": "string",
    "column.string_id": "string id",
    "column.lot": "lot",
    "column.seen_at": "seen",
    "column.whereabouts": "where it is",
    "column.decision": "decided",
    "column.cell": "position in the panel",
    "column.score": "score",
    "column.above": "above the tighter limit",
    "page.technician": "Machines",
    "page.figures": "Quality figures",
    "page.reading": "Reading the log …",
    "page.failed": "The log could not be read: {cause}",
    "page.no_context": (
        "No string of a known stringer was inspected in the newest four weeks.\nImport the production context: "
        "elinspect context import FILE"
    ),
    "page.nothing_inspected": (
        "Nothing was inspected in this period.\nChoose a longer period, or wait for the first panel."
    ),
    "page.no_alert": "No alert in the newest days.",
    "page.alerts": "Alerts",
    "page.news": " · {n} new",
    "page.work": "Last maintenance",
    "page.no_work": "No maintenance is known. Mark it here, or import it: elinspect maintenance import FILE",
    "page.kind": "Kind of flag",
    "page.again": "Read again",
    "page.card_away": "Back to the maps (Esc)",
    "page.shown": "Show",
    "page.shown_pareto": "Pareto and chart",
    "page.shown_people": "people and machine",
    "page.save_card": "Save the card …",
    "page.machine": "Stringer or other machine",
    "page.lane": "Lane",
    "page.what": "What was done",
    "page.mark": "Mark maintenance",
    "page.marked": "Logged: {machine} {lane}, {what}.",
    "page.mark_needs": "Give the machine and what was done.",
    "page.mark_role": "Sign in to mark maintenance; an auditor only reads.",
    "page.by": "By",
    "page.count": "Counted",
    "page.chart": "Chart",
    "page.measure": "Order by",
    "page.of_purpose": "Purpose",
    "page.usual_purpose": "production, or what there is",
    "page.compared": "Compare with",
    "page.not_compared": "nothing",
    "page.days_before": "the days before",
    "page.period": "Period",
    "page.days": ("newest {n} day", "newest {n} days"),
    "page.whole_log": "whole log",
    "page.export": "Export …",
    "page.exported": "Written to {file}.",
    "page.purpose": "Purpose: {purpose}",
    "count.confirmed": "confirmed by an inspector",
    "count.proposed": "proposed by the machine",
    "report.shift": "Shift {number} of {day}, {begin} to {end}",
    "report.day": "Report of the day",
    "report.week": "Report of the week",
    "report.supplier": "Cell supplier {name}",
    "report.stringer": "Stringer {name}",
    "report.module": "Module {serial}: passport",
    "report.act_on": "What to act on",
    "report.yield": "Yield",
    "report.flags": "Flags",
    "report.first_stage": "First stage that saw it",
    "report.no_shift": "The log holds no picture at the gate with the purpose '{purpose}': there is no shift to show.",
    "report.taken_over": "What the next shift takes over",
    "report.nothing_open": "Every panel of this shift is decided, and none is on hold.",
    "report.undecided": "not decided",
    "report.more_rows": ("{n} more line: see the workbook.", "{n} more lines: see the workbook."),
    "report.work": "Maintenance",
    "report.yield_of_shift": "Panels photographed in this shift",
    "report.kinds_of": "Kinds of flag in the cells of {name}",
    "report.extent": "Extent: strings of {lot}, as seen {first} to {last}",
    "report.machine": "Machine",
    "report.people_and_machine": "People and machine",
    "report.d2": "D2 · Problem",
    "report.d3": "D3 · Extent and containment",
    "report.d3_list": (
        "Every string and panel with its decision: elinspect containment --lot. What is blocked, and where, stands in "
        "the plant's own system."
    ),
    "report.to_add": "To be added by supplier and plant",
    "report.step.d1": "D1 · Team",
    "report.step.d4": "D4 · Root cause",
    "report.step.d5": "D5 · Corrective actions chosen",
    "report.step.d6": "D6 · Actions carried out and proven",
    "report.step.d7": "D7 · Recurrence prevented",
    "report.step.d8": "D8 · Closed on, by",
    "shift.first_pass": "accepted at the first attempt (holds not counted)",
    "shift.rework": "sent to rework",
    "shift.hold": "put on hold",
    "shift.concession": "accepted by concession",
    "shift.scrap": "scrapped",
    "shift.after_rework": "accepted after rework",
    "shift.not_judged": "pictures that could not be judged",
    "column.what": "what",
    "column.what_it_says": "what it says",
    "column.share_of": "share",
    "column.shift_before": "shift before",
    "column.n_before": "n before",
    "column.p_value": "p of no change",
    "column.why_open": "why",
    "column.owner": "owner",
    "column.purpose": "purpose",
    "column.machine": "machine",
    "column.note": "note",
    "column.strings": "strings",
    "column.step": "step",
    "column.to_fill": "to fill in",
    "column.per_million": "per million cells",
    "column.others_per_million": "the others, per million",
    "column.dismissed_before": "dismissed before",
    "column.drift": "p of no change",
    "column.other_person": "and",
    "column.right": "right",
    "column.missed": "missed",
    "column.false_alarms": "false alarms",
    "column.kappa": "kappa (95 %)",
    "column.grade": "reads as",
    "people.audits": "Inspectors against auditors (the auditor counts as the truth)",
    "people.together": "Who judged the same panels: accepted or not",
    "people.all": "all",
    "people.drifted": "drifted",
    "people.several": "{panels} panels were judged by {people} people each: Fleiss' kappa {kappa:.2f}.",
    "machine.before": "In as many days before: {share:.1%} ({count} of {n}; 95 %: {low:.1%} to {high:.1%}).",
    "fact.stage": "Stage",
    "column.charged": "charged",
    "charged.stringer": "stringer",
    "charged.layup": "lay-up",
    "charged.laminator": "laminator",
    "charged.afterwards": "after lamination",
    "charged.stringer_or_layup": "stringer or lay-up (no picture of the string)",
    "charged.before_lamination_or_laminator": "before lamination or laminator (no picture at the gate)",
    "charged.not_known": "not known",
    "machine.recall": (
        "The machine had flagged {share:.1%} of the {n} confirmed cells ({count}; 95 %: {low:.1%} to {high:.1%}). "
        "Cells nobody saw are not among them: second readings tell about those."
    ),
    "machine.second_readings": (
        "Second readings: of {unflagged} panels in which nobody saw anything, {read} were drawn at random and read "
        "again; in {panels} of them {cells} cells were seen. If flagged panels hide as many, about {missed:.0f} cells "
        "were missed in all (95 %: {missed_low:.0f} to {missed_high:.0f}), and the machine flags {recall:.1%} of all "
        "there are ({low:.1%} to {high:.1%}). What the second reader misses too is not in it."
    ),
    "machine.no_second_readings": (
        "No second readings in this period: what machine and inspector both missed is not known "
        "(elinspect second-readings ask)."
    ),
    "machine.audits": (
        "Of {n} panels an auditor would not have accepted, the machine had flagged {share:.1%} above a limit "
        "({count}; 95 %: {low:.1%} to {high:.1%})."
    ),
    "machine.false": (
        "Of {n} cells the machine flagged, {share:.1%} were not confirmed ({count}; 95 %: {low:.1%} to {high:.1%})."
    ),
    "report.people": "People",
    "report.problem": "What was found",
    "report.beside_others": "Beside the others",
    "report.own": "Of {name}",
    "report.not_accused": "{name} does not stand out in this period.",
    "report.no_flags": "Nothing was flagged.",
    "report.no_serial": "The log does not know the serial {serial}.",
    "report.cover": "Report",
    "workbook.none": "none",
    "report.fact": "Title",
    "passport.strings": "Strings",
    "passport.pictures": "Inspections and decisions",
    "passport.flags": "Flags",
    "passport.bench": "Work at the bench",
    "passport.gaps": "Gaps between cells, latest picture",
    "passport.purpose": "Purpose",
    "fact.purpose": "Purpose",
    "column.stringer": "stringer",
    "column.lane_only": "lane",
    "column.built": "built",
    "column.supplier": "cell supplier",
    "column.ribbon_lot": "ribbon lot",
    "column.stage": "stage",
    "column.attempt": "attempt",
    "column.proposal": "proposed",
    "column.person": "by",
    "column.versions": "versions",
    "column.picture": "picture",
    "column.kind": "kind",
    "column.position": "position",
    "column.limit": "limit",
    "column.answer": "answer",
    "column.at": "when",
    "column.work": "work",
    "column.new_string": "new string",
    "column.fate": "old string",
    "column.panels": "panels",
    "column.accepted": "accepted",
    "column.answered": "flags answered",
    "column.dismissed": "dismissed",
    "column.added": "flags added",
    "people.no_audits": "No audits in this period: agreement with truth is not known.",
    "grade.acceptable": "acceptable",
    "grade.marginal": "marginal",
    "grade.not_acceptable": "not acceptable",
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
    "lead.operator": "operator",
    "lead.layup_machine": "lay-up machine",
    "lead.bussing_machine": "bussing machine",
    "lead.cell_lot": "cell lot",
    "lead.cell_supplier": "cell supplier",
}
