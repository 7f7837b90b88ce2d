"""Learn on site from what inspectors answered: new linear heads over what the network saw, no torch, in seconds.

Only answers to single flags teach; a flag that was closed with its panel says nothing. Panels are held out whole, and a
head that is not better on them is not offered.
"""

import hashlib
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.catalogue import Message, Value
from elinspect.classifier.heads import LinearHead, Rows, fit_head
from elinspect.classifier.model_file import ModelCard
from elinspect.classifier.scoring import FINDING_EVIDENCE, evidence_names, finding_probability
from elinspect.records import Kind

LEAST_ANSWERS = 30
"""Fewest confirmed, and fewest dismissed, flags of a kind to learn from. Plant's choice, a start."""
LEAST_PANELS = 20
"""Fewest panels they must come from."""
HELD_OUT = 0.3
"""Share of the panels that only judge."""
MOST_OF_ONE_LANE = 0.25
"""Most of the weight that the flags of one lane may have: a lane that cracks cells must not teach what a crack is."""
ALWAYS_DISMISSES = 0.98
"""Share of dismissed flags from which an inspector who answered `LEAST_ANSWERS` says nothing ..."""
OTHERS_DISMISS = 0.9
"""... unless the others dismiss about as many."""
_WEIGHED_DOWN = 0.5
"""A lane whose flags weigh less than this is named."""
_RIDGE = 4.0
_DRAWS = 2000


@dataclass(frozen=True, slots=True, eq=False)
class AnsweredFlag:
    """One machine flag that an inspector answered.

    Attributes
    ----------
    kind : Kind
        What the machine called it.
    evidence : ndarray, shape (5 + features,)
        As `elinspect.classifier.scoring.finding_evidence`.
    true : bool
        Confirmed, or changed into another kind (something is there), against dismissed.
    panel : str
        Panels are held out whole.
    inspector, lane : str
        Who answered; which lane made the string, empty where not known.
    """

    kind: Kind
    evidence: NDArray[np.float64]
    true: bool
    panel: str
    inspector: str
    lane: str


@dataclass(frozen=True, slots=True)
class KindOutcome:
    """How the new head of one kind does on panels held out.

    Attributes
    ----------
    kind : Kind
        Which.
    learnt, held_out : int
        Flags.
    loss_before, loss_after : float
        Mean negative logarithm of the probability given to what was answered (natural logarithm).
    gain : tuple of float
        95 % interval of the difference, panels drawn again; better only if it lies above 0.
    """

    kind: Kind
    learnt: int
    held_out: int
    loss_before: float
    loss_after: float
    gain: tuple[float, float]

    @property
    def better(self) -> bool:
        """Whether the new head may be installed."""
        return self.gain[0] > 0


@dataclass(frozen=True, slots=True, eq=False)
class Adaptation:
    """What came of it.

    Attributes
    ----------
    heads : dict from kind to LinearHead
        Only those that are better on the panels held out.
    outcomes : tuple of KindOutcome
        Of every kind that could be tried.
    notes : tuple of Message
        What was left out and why.
    """

    heads: dict[Kind, LinearHead]
    outcomes: tuple[KindOutcome, ...]
    notes: tuple[Message, ...]


def adapt_heads(card: ModelCard, answered: Sequence[AnsweredFlag], rng: np.random.Generator) -> Adaptation:
    """Fit new heads for findings.

    Parameters
    ----------
    card : ModelCard
        The model in force: new heads stay near its own where answers are few.
    answered : sequence of AnsweredFlag
        Of production panels, scored by this card's network.
    rng : numpy.random.Generator
        Draws panels for the intervals.
    """
    trusted, notes = trusted_answers(answered)
    heads, outcomes = {}, []
    for kind, table in card.finding_heads.items():
        own = [flag for flag in trusted if flag.kind is kind]
        learn = [flag for flag in own if not _is_held_out(flag.panel)]
        judge = [flag for flag in own if _is_held_out(flag.panel)]
        lack = _lacking(learn, judge)
        if lack is not None:
            notes.append(Message(lack, {"kind": kind.value, "answers": LEAST_ANSWERS, "panels": LEAST_PANELS}))
            continue
        notes += _flooding_lanes(kind, learn)
        head = _fit(table.head(), learn)
        outcome = _outcome(kind, table.head(), head, learn, judge, rng)
        outcomes.append(outcome)
        if outcome.better:
            heads[kind] = head
    return Adaptation(heads, tuple(outcomes), tuple(notes))


def rebased(head: LinearHead, rate_there: float, rate_here: float) -> LinearHead:
    """Move a head from the share of defective cells it was fitted at to the share at the plant.

    Prior shift: only the odds before looking change (Saerens, Latinne, Decaestecker 2002, Neural Computation 14:21-41,
    eq. from memory).
    """
    for rate in (rate_there, rate_here):
        if not 0 < rate < 1:
            raise ValueError(f"a share of defective cells must lie between 0 and 1, not {rate}")
    shift = np.log(rate_here / (1 - rate_here)) - np.log(rate_there / (1 - rate_there))
    return LinearHead(head.names, head.weights, head.bias + float(shift))


def _is_held_out(panel: str) -> bool:
    """Whether a panel only judges: by its name, so that it never changes sides."""
    return int.from_bytes(hashlib.sha256(panel.encode()).digest()[:4], "big") / 2**32 < HELD_OUT


def trusted_answers(answered: Sequence[AnsweredFlag]) -> tuple[list[AnsweredFlag], list[Message]]:
    """Return the answers without those of inspectors who dismiss everything, unlike the others, and who these are."""
    given: dict[str, list[bool]] = defaultdict(list)
    for flag in answered:
        given[flag.inspector].append(flag.true)
    everyone = [flag.true for flag in answered]
    left_out, notes = set(), []
    for inspector, truths in given.items():
        others = len(everyone) - len(truths)
        dismissed = 1 - sum(truths) / len(truths)
        others_dismissed = 1 - (sum(everyone) - sum(truths)) / others if others else 0.0
        if len(truths) >= LEAST_ANSWERS and dismissed >= ALWAYS_DISMISSES and others_dismissed < OTHERS_DISMISS:
            left_out.add(inspector)
            values: dict[str, Value] = {"inspector": inspector, "n": len(truths), "percent": 100 * dismissed}
            notes.append(Message("adapt.constant", values))
    return [flag for flag in answered if flag.inspector not in left_out], notes


def _lacking(learn: Sequence[AnsweredFlag], judge: Sequence[AnsweredFlag]) -> str | None:
    fewest = min(Counter(flag.true for flag in learn)[truth] for truth in (True, False))
    if fewest < LEAST_ANSWERS or len({flag.panel for flag in learn}) < LEAST_PANELS:
        return "adapt.too_few"
    fewest = min(Counter(flag.true for flag in judge)[truth] for truth in (True, False))
    return "adapt.too_few_held_out" if fewest < LEAST_ANSWERS // 3 else None


def lane_weights(lanes: Sequence[str]) -> NDArray[np.float64]:
    """Return a weight per flag: no known lane has more than `MOST_OF_ONE_LANE` of the whole, as far as that can be.

    With few lanes the cap cannot hold for all; then they weigh the same.
    """
    weights = np.ones(len(lanes))
    names = sorted({lane for lane in lanes if lane})
    of_lane = {name: np.array([lane == name for lane in lanes]) for name in names}
    groups = len(names) + any(not lane for lane in lanes)
    most = max(MOST_OF_ONE_LANE, 1 / max(groups, 1))
    for _ in range(50):
        total = weights.sum()
        heavy = [name for name in names if weights[of_lane[name]].sum() > most * total * (1 + 1e-9)]
        if not heavy:
            break
        for name in heavy:
            own = weights[of_lane[name]].sum()
            weights[of_lane[name]] *= most * (total - own) / ((1 - most) * own) if most < 1 else 1.0
    return np.asarray(weights * len(lanes) / weights.sum())


def _flooding_lanes(kind: Kind, learn: Sequence[AnsweredFlag]) -> list[Message]:
    """Say which lane's answers were weighed down to less than half."""
    lanes = [flag.lane for flag in learn]
    weights = lane_weights(lanes)
    notes = []
    for lane, count in Counter(lane for lane in lanes if lane).items():
        weight = float(weights[lanes.index(lane)])
        if weight < _WEIGHED_DOWN:
            shares = {"percent": 100 * count / len(lanes), "counted": 100 * count * weight / len(lanes)}
            notes.append(Message("adapt.lane", {"kind": kind.value, "lane": lane, **shares}))
    return notes


def _rows(flags: Sequence[AnsweredFlag]) -> Rows:
    return np.stack([flag.evidence for flag in flags])


def _fit(start: LinearHead, learn: Sequence[AnsweredFlag]) -> LinearHead:
    rows, truth = _rows(learn), np.array([flag.true for flag in learn])
    names = evidence_names(rows.shape[1] - len(FINDING_EVIDENCE))
    known = dict(zip(start.names, start.weights, strict=True))
    wide = LinearHead(names, tuple(known.get(name, 0.0) for name in names), start.bias)
    return fit_head(names, rows, truth, _RIDGE, wide, lane_weights([flag.lane for flag in learn]))


def _losses(head: LinearHead, flags: Sequence[AnsweredFlag]) -> NDArray[np.float64]:
    truth = np.array([flag.true for flag in flags])
    probability = np.clip(finding_probability(head, _rows(flags)), 1e-6, 1 - 1e-6)
    return np.asarray(-np.log(np.where(truth, probability, 1 - probability)))


def _outcome(
    kind: Kind,
    before: LinearHead,
    after: LinearHead,
    learn: Sequence[AnsweredFlag],
    judge: Sequence[AnsweredFlag],
    rng: np.random.Generator,
) -> KindOutcome:
    old, new = _losses(before, judge), _losses(after, judge)
    panels = [flag.panel for flag in judge]
    return KindOutcome(
        kind, len(learn), len(judge), float(old.mean()), float(new.mean()), _gain_interval(old - new, panels, rng)
    )


def _gain_interval(gain: NDArray[np.float64], panels: Sequence[str], rng: np.random.Generator) -> tuple[float, float]:
    """Return the 95 % interval of the mean gain, whole panels drawn with replacement."""
    names = {name: i for i, name in enumerate(sorted(set(panels)))}
    panel = np.array([names[name] for name in panels])
    sums = np.bincount(panel, gain, len(names))
    counts = np.bincount(panel, minlength=len(names))
    picked = rng.integers(len(names), size=(_DRAWS, len(names)))
    low, high = np.quantile(sums[picked].sum(axis=1) / counts[picked].sum(axis=1), [0.025, 0.975])
    return float(low), float(high)
