"""Which troubles were probably at work: a small probabilistic model over the chart's rows.

Every set of none, one or two troubles (of different variables) is a hypothesis. Its prior is the product of the
chart's priors; a sign's off-normal state is as likely under two troubles as under the one that gives it more. What
was seen weighs each hypothesis by Bayes' rule, signs taken as independent given the troubles (their ``weight`` in
the chart tempers those that move together). A trouble's likelihood is the share of the sets that hold it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import combinations
from typing import Any

import numpy as np

from toeline import datafile
from toeline.causes.chart import Chart, Trouble, chart, normal
from toeline.causes.coaching import advice_of, remedies
from toeline.causes.signs import Reading, read_signs
from toeline.result import Cause, CauseId, Result

OTHERWISE = "change one thing at a time and see which helps"


@dataclass(frozen=True, slots=True)
class CauseFinding:
    """Causes, most likely first; ``causes_why`` where there is none to name; ``advice`` for the result document, with
    ``all_well`` where nothing on the face points to a trouble."""

    causes: tuple[Cause, ...] = ()
    causes_why: str | None = None
    advice: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Posterior:
    """Probability that nothing was wrong, and that each trouble was at work, keyed by the chart's row id."""

    nothing: float
    troubles: dict[str, float]


def _explained(reading: Reading, states: dict[str, float]) -> float:
    """How well a hypothesis with these state probabilities explains a reading."""
    return sum(p * reading.likelihood[state] for state, p in states.items())


def weigh(readings: tuple[Reading, ...], rules: Chart) -> Posterior:
    """Bayes' rule over every set of none, one or two troubles, given the readings."""
    troubles = rules.troubles
    numbered = combinations(range(len(troubles)), 2)
    apart = [(i, j) for i, j in numbered if troubles[i].variable != troubles[j].variable]
    pairs = np.array(apart, int).reshape(-1, 2).T
    prior = np.array([math.log(t.prior / (1 - t.prior)) for t in troubles])
    none, one, two = 0.0, prior, prior[pairs].sum(axis=0)
    for reading in readings:
        sign = rules.signs[reading.sign]
        off = [state for state in sign.states if state != sign.usual]
        usual = np.array([trouble.states[sign.id][sign.usual] for trouble in troubles])
        alone = np.array([[trouble.states[sign.id][state] for state in off] for trouble in troubles])
        # Under two troubles at once each off-normal state is as likely as under the one that gives it more.
        both = alone[pairs].max(axis=0)
        both /= np.maximum(1.0, both.sum(axis=1) / (1 - usual[pairs].min(axis=0) / 2))[:, None]
        seen_off, seen_usual = np.array([reading.likelihood[state] for state in off]), reading.likelihood[sign.usual]
        none += sign.weight * math.log(_explained(reading, rules.usual(sign.id)))
        one = one + sign.weight * np.log(alone @ seen_off + usual * seen_usual)
        two = two + sign.weight * np.log(both @ seen_off + (1 - both.sum(axis=1)) * seen_usual)
    logs = np.concatenate([[none], one, two])
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    shares = weights[1 : 1 + len(troubles)].copy()
    for held in pairs:
        np.add.at(shares, held, weights[1 + len(troubles) :])
    each = {trouble.id: float(share) for trouble, share in zip(troubles, shares, strict=True)}
    return Posterior(nothing=float(weights[0]), troubles=each)


def _weights(trouble: Trouble, readings: tuple[Reading, ...], rules: Chart) -> list[tuple[float, Reading]]:
    """How much each reading speaks for (above 0) or against a trouble, as a log ratio, the strongest first."""
    weights = []
    for reading in readings:
        sign = rules.signs[reading.sign]
        ratio = _explained(reading, trouble.states[sign.id]) / _explained(reading, rules.usual(sign.id))
        weights.append((sign.weight * math.log(ratio), reading))
    return sorted(weights, key=lambda each: -abs(each[0]))


def _in_words(trouble: Trouble, reading: Reading, against: bool, rules: Chart) -> str:
    """A reading as evidence."""
    sign = rules.signs[reading.sign]
    seen = f"{sign.says[reading.state]}: {reading.figure}"
    if not against:
        return seen
    states, usual = trouble.states[sign.id], rules.usual(sign.id)
    expected = max((s for s in states if s != sign.usual), key=lambda state: states[state] - usual[state])
    return f"{seen} ({sign.says[expected]} would be expected)"


def _silence(
    posterior: Posterior, readings: tuple[Reading, ...], rules: Chart, result: Result, advice: dict[str, Any]
) -> CauseFinding:
    """Why no cause is named; and what the surest indication would point to if a look finds that it is really there."""
    share = f"{posterior.nothing:.0%} that nothing was wrong"
    doubtful = [reading for reading in readings if rules.signs[reading.sign].seen and _off(reading, rules) > 1]
    if not doubtful:
        well = f"Nothing on the face points to a trouble ({share})."
        return CauseFinding(causes_why=well, advice=advice | {"all_well": True})
    best = max(doubtful, key=lambda reading: _off(reading, rules))
    sign = rules.signs[best.sign]
    state = max((s for s in sign.states if s != sign.usual), key=lambda s: best.likelihood[s])
    if_there = Reading(best.sign, {s: 1.0 if s == state else 1e-3 for s in sign.states}, best.figure, best.side)
    found = (*(reading for reading in readings if reading.sign != best.sign), if_there)
    shares = weigh(found, rules).troubles
    likely = max(rules.troubles, key=lambda trouble: shares[trouble.id])
    why = (
        f"Nothing on the face points surely to a trouble ({share}). Look for {sign.says[state]} ({best.figure}): "
        f"if it is there, it points to {likely.title}. {remedies(likely, result, found)[0]}"
    )
    return CauseFinding(causes_why=why, advice=advice)


def _off(reading: Reading, rules: Chart) -> float:
    """How many times likelier the reading is under its best off-normal state than under the usual one."""
    usual = rules.signs[reading.sign].usual
    return max(p for state, p in reading.likelihood.items() if state != usual) / reading.likelihood[usual]


def _tell_apart(one: Trouble, other: Trouble, readings: tuple[Reading, ...], rules: Chart) -> str:
    """Says that two troubles are alike, with the observation not made yet that separates them best.

    Best is the largest symmetric divergence (Jeffreys) of the sign's states under the two.
    """
    known = {reading.sign for reading in readings}

    def separates(sign: str) -> float:
        p, q = one.states[sign], other.states[sign]
        return sum((p[state] - q[state]) * math.log(p[state] / q[state]) for state in p)

    open_signs = [sign for sign in rules.signs if sign not in known]
    best = max(open_signs, key=separates, default=None)
    tell = f"to tell: {rules.signs[best].ask}" if best is not None and separates(best) > 0.3 else OTHERWISE
    return f"Not told apart from {other.title} by what was seen; {tell}."


def rank_causes(result: Result) -> CauseFinding:
    """The likely causes of what ``result`` shows, most likely first, or why none is named.

    Uses measures, indications, joint, gauge readings and welding settings; never pixels. Silent on a bead on which
    nothing wrong is the best explanation. Raises :class:`toeline.errors.SettingsError` for impossible settings.
    """
    rules, rule = chart().of(result.settings.joint), datafile.load("ranking.toml")
    advice = advice_of(result)
    if not result.bead.found:
        return CauseFinding(causes_why="No bead was measured, so nothing can be said about causes.", advice=advice)
    if not result.photo.usable:
        return CauseFinding(causes_why="The photo cannot be used, so nothing is said about causes.", advice=advice)
    readings = read_signs(result, normal())
    if not any(reading.sign in ("width_spread", "edges", "ripples", "pitch", "spatter") for reading in readings):
        why = "Too little of the bead could be measured to say anything about causes."
        return CauseFinding(causes_why=why, advice=advice)
    posterior = weigh(readings, rules)
    by_cause: dict[CauseId, list[Trouble]] = {}
    for trouble in rules.troubles:
        by_cause.setdefault(trouble.cause, []).append(trouble)
    # Rows of one cause never stand together in a set unless of different variables, so the sum is capped.
    shares = {c: min(1.0, sum(posterior.troubles[t.id] for t in rows)) for c, rows in by_cause.items()}
    ranked = sorted((c for c in shares if shares[c] >= rule["least"]), key=lambda c: -shares[c])[: rule["most"]]
    if posterior.nothing > rule["silent_above"]:
        return _silence(posterior, readings, rules, result, advice)
    leading = {c: max(by_cause[c], key=lambda t: posterior.troubles[t.id]) for c in ranked}
    limit = math.log(rule["evidence"])
    weights = {c: _weights(leading[c], readings, rules) for c in ranked}
    ranked = [c for c in ranked if any(w >= limit for w, _ in weights[c])]  # no cause without a sign that speaks for it
    if not ranked:
        return CauseFinding(causes_why="Something is off, but no single cause stands out.", advice=advice)
    signs_for = {c: {reading.sign for w, reading in weights[c] if w >= limit} for c in ranked}
    causes: list[Cause] = []
    for cause in ranked:
        trouble = leading[cause]
        rivals = [
            c
            for c in ranked
            if c != cause
            and max(shares[c], shares[cause]) < rule["alike"] * min(shares[c], shares[cause])
            and 2 * len(signs_for[c] & signs_for[cause]) >= min(len(signs_for[c]), len(signs_for[cause]))
        ]
        causes.append(
            Cause(
                cause=cause,
                likelihood=round(shares[cause], 3),
                title=trouble.title,
                evidence=tuple(_in_words(trouble, r, False, rules) for w, r in weights[cause] if w >= limit),
                against=tuple(_in_words(trouble, r, True, rules) for w, r in weights[cause] if w <= -limit),
                told_apart_by=_tell_apart(trouble, leading[rivals[0]], readings, rules) if rivals else None,
                **{"try": remedies(trouble, result, readings)},
            )
        )
    return CauseFinding(causes=tuple(causes), advice=advice)
