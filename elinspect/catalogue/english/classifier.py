"""Texts about the classifier and its model files."""

TEXTS: dict[str, str | tuple[str, str]] = {
    "model.not_asked": "No classifier was asked for.",
    "model.switched_off": "The classifier is switched off.",
    "model.no_runtime": (
        "The classifier needs the package onnxruntime, which is not installed. Install it and try again."
    ),
    "model.no_training": (
        "Training needs the packages of the extra 'train' (torch, onnx), which are not installed: {cause}. Install "
        "elinspect[train]."
    ),
    "model.unreadable": "The model file {file} cannot be read: {cause}. Check the path and the rights.",
    "model.not_a_card": "{file} is not a model card: {where}: {cause}. Name the .json file that came with the model.",
    "model.contract": (
        "The model {file} was made for {given}; this program needs {expected}. Use a model of this version of "
        "elinspect."
    ),
    "model.too_large": "The network {file} is larger than {megabytes} MB; this is no model of elinspect.",
    "model.hash": (
        "The network {file} is not the one its card names: it was changed or damaged. Copy the model again."
    ),
    "model.network": "The network {file} cannot be run: {cause}. Copy the model again.",
    "quality.no_classifier": "Judged without the classifier: {reason}",
    "command.model_drawing": "drawing simulated panels to train on",
    "command.model_training": "training",
    "command.model_fitting": "fitting the heads on panels not trained on",
    "command.model_checking": "measuring on further panels",
    "model.in_force_damaged": (
        "{file} does not say which model is in force. Choose one again with 'elinspect model use'."
    ),
    "model.not_installed": "The model cannot be installed: {file}: {cause}. Check the folder and the free space.",
    "model.version_taken": "There is a model {file} already; a version is never replaced.",
    "model.listed": "{mark} {file}  {label}",
    "model.listed_problem": "{mark} {file}  cannot be used: {problem}",
    "model.now_in_force": "In force from now on: {file}.",
    "adapt.answers": (
        "{n} flag that an inspector answered singly, scored by this network.",
        "{n} flags that inspectors answered singly, scored by this network.",
    ),
    "adapt.left_closed": (
        "Left out: {n} flag that was closed with its panel.",
        "Left out: {n} flags that were closed with their panel.",
    ),
    "adapt.left_elsewhere": (
        "Left out: {n} answered flag of a panel that was no production at the gate (demo, audit, another stage).",
        "Left out: {n} answered flags of panels that were no production at the gate (demo, audit, another stage).",
    ),
    "adapt.left_network": (
        "Left out: {n} answered flag that another network, or none, scored.",
        "Left out: {n} answered flags that another network, or none, scored.",
    ),
    "adapt.constant": (
        "Answers of {inspector} were left out: {percent:.0f} % of {n} flags dismissed, unlike the others.",
        "Answers of {inspector} were left out: {percent:.0f} % of {n} flags dismissed, unlike the others.",
    ),
    "adapt.lane": (
        "{kind!k}: {percent:.0f} % of the answers learnt from come from lane {lane}; they were counted as "
        "{counted:.0f} %, so that one lane alone does not teach."
    ),
    "adapt.too_few": (
        "{kind!k}: too few answers to learn from; needed are {answers} confirmed and {answers} dismissed flags of at "
        "least {panels} panels."
    ),
    "adapt.too_few_held_out": "{kind!k}: too few answers on the panels held out to tell whether anything got better.",
    "adapt.better": (
        "{kind!k}: better on {held_out} flags held out, learnt from {learnt}: loss {before:.3f} before, {after:.3f} "
        "after, gain {low:.3f} to {high:.3f} (95 %; 0 is perfect, 0.69 a coin's guess)."
    ),
    "adapt.not_better": (
        "{kind!k}: not better on {held_out} flags held out, learnt from {learnt}: loss {before:.3f} before, "
        "{after:.3f} after, gain {low:.3f} to {high:.3f} (95 %). Left as it is."
    ),
    "adapt.limit": "{kind!k}: flags below a probability of {after:g} are doubtful from now on (before: {before:g}).",
    "adapt.base_rate": (
        "The score of a cell now reckons with {after:.2g} % of cells defective, as confirmed here (before: "
        "{before:.2g} %)."
    ),
    "adapt.nothing": "Nothing was installed; the model in force stays.",
    "adapt.installed": (
        "Installed and in force: {file}. Earlier versions are kept; 'elinspect model use' goes back to one."
    ),
    "model.no_open_cells": (
        "The open data set of real cells is not installed. Install the package elpv-dataset (for evaluation only)."
    ),
    "model.too_few_answers": (
        "{kind!k}: only {n} answered flag was scored by this network; a working point needs at least {needed}.",
        "{kind!k}: only {n} answered flags were scored by this network; a working point needs at least {needed}.",
    ),
    "model.kind_unknown": "{kind!k}: the model {model} does not score this kind.",
    "model.chart_cost": "cost in all",
    "model.chart_in_force": "in force: {threshold:g}",
    "model.chart_cheapest": "cheapest: {threshold:g}",
    "model.chart_false": "looking and false rework",
    "model.chart_escapes": "escapes",
    "model.chart_threshold": "flags less probable than this reach no limit",
    "model.chart_axis": "{kind!k}: cost on {flags} answered flags, {currency}",
    "what.cost_sheet": "cost sheet",
    "model.points_title": (
        "{kind!k}: working point on {flags} answered flags of {panels} decided panels; costs in {currency}"
    ),
    "model.points_columns": "limit|true kept|false kept|let through|looking|false rework|escapes|in all",
    "model.points_costs": (
        "A look costs {look:.2f} {currency}, a false rework {rework:.2f} ({falsely:.0f} % of the false flags lead to "
        "one), an escape {escape:.2f}."
    ),
    "model.points_escapes": (
        "At {limit:g}, {n} of {true} true flags is let through; it may well be up to {percent:.0f} % (95 %).",
        "At {limit:g}, {n} of {true} true flags are let through; it may well be up to {percent:.0f} % (95 %).",
    ),
    "model.points_bench": (
        "By the log, {n} rework took {minutes} minutes; new cracks confirmed after it: {cracks} ({share} each).",
        "By the log, {n} reworks took {minutes} minutes on average; new cracks confirmed after them: {cracks} "
        "({share} each).",
    ),
    "model.points_no_bench": "The log knows of no rework.",
    "model.bench_unknown": (
        "The cost sheet leaves out {key}, and the log has {n} rework where {needed} are needed. Write it into the "
        "sheet.",
        "The cost sheet leaves out {key}, and the log has {n} reworks where {needed} that tell it are needed. Write it "
        "into the sheet.",
    ),
    "model.point_in_force": "In force: {threshold:g}, cost {cost:.0f}. Cheapest: {best:g}, cost {best_cost:.0f}.",
    "model.point_unchanged": "Nothing was changed. --set THRESHOLD installs another working point as a new version.",
    "command.model_judging": "judging real cells",
    "evaluate.title": "{which} · {wafer} · {cells} cells ({defective} defective) of {panels} panels · {model}",
    "evaluate.protocols": (
        "By panels: all cells, called defective from 0.5 on, whole "
        "panels drawn again. At random: 20 splits 75/25, threshold from the larger part, figures from the smaller "
        "one; neighbours of one panel lie on both sides, which is too good, and is here for comparison with papers "
        "only."
    ),
    "evaluate.cells_tuning": "tuning half of the free panels",
    "evaluate.cells_check": "check half of the free panels",
    "evaluate.cells_free": "free panels",
    "evaluate.cells_all": "all panels",
    "evaluate.cells_reserved": "reserved panels only",
    "evaluate.all": "mono and multi",
    "evaluate.columns": "figure|by panels|95 %|at random|smallest – largest",
    "evaluate.auc": "area under the curve",
    "evaluate.auc_sure": "... sure labels only",
    "evaluate.auc_within": "... within panels",
    "evaluate.auc_cracks": "... of cracks alone",
    "evaluate.auc_network": "... of the network alone",
    "evaluate.auc_detectors": "... of the detectors alone",
    "evaluate.auc_detectors_within": "... of the same, within panels",
    "evaluate.auc_nuisance": "... of noise, blur, brightness",
    "evaluate.auc_nuisance_within": "... of the same, within panels",
    "evaluate.accuracy": "accuracy",
    "evaluate.accuracy_weighted": "accuracy, weighted by the label",
    "evaluate.accuracy_balanced": "balanced accuracy",
    "evaluate.f1": "F1",
    "evaluate.calibration_error": "expected calibration error",
    "evaluate.data": (
        "Data: elpv-dataset (CC BY-NC-SA 4.0), laminated few-busbar cells, 8 bit, resampled to about 0.52 mm/px: not "
        "this gate's pictures. No real cell taught the model; how its evidence is added up was chosen on the tuning "
        "half."
    ),
}
