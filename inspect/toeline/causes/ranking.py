"""Which troubles were probably at work: a small probabilistic model over the chart's rows.

Every set of none, one or two troubles (of different variables) is a hypothesis. Its prior is the product of the
chart's priors; a sign's off-normal state is as likely under two troubles as under the one that gives it more. What
was seen weighs each hypothesis by Bayes' rule, signs taken as independent given the troubles (their ``weight`` in
the chart tempers those that move together). A trouble's likelihood is the share of the sets that hold it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from toeline.causes.chart import Chart, Trouble, chart, normal
from toeline.causes.figures import RankingFigures
from toeline.causes.position import settings_position
from toeline.causes.signs import Reading, read_signs
from toeline.result import CauseId, Result


@dataclass(frozen=True, slots=True)
class Posterior:
    """Probability that nothing was wrong, that each trouble was at work, and that two were at once, by the chart's row
    ids."""

    nothing: float
    troubles: dict[str, float]
    pairs: dict[frozenset[str], float]


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
    held_together = weights[1 + len(troubles) :].tolist()
    names = [frozenset((troubles[i].id, troubles[j].id)) for i, j in apart]
    return Posterior(float(weights[0]), each, dict(zip(names, held_together, strict=True)))


def _weights(trouble: Trouble, readings: tuple[Reading, ...], rules: Chart) -> tuple[tuple[float, Reading], ...]:
    """How much each reading speaks for (above 0) or against a trouble, as a log ratio, the strongest first."""
    weights = []
    for reading in readings:
        sign = rules.signs[reading.sign]
        ratio = _explained(reading, trouble.states[sign.id]) / _explained(reading, rules.usual(sign.id))
        weights.append((sign.weight * math.log(ratio), reading))
    return tuple(sorted(weights, key=lambda each: -abs(each[0])))


def _in_words(trouble: Trouble, reading: Reading, against: bool, rules: Chart) -> str:
    """A reading as evidence."""
    sign = rules.signs[reading.sign]
    unsure = "perhaps " if sign.seen and reading.open and reading.state != sign.usual else ""
    seen = f"{unsure}{sign.says[reading.state]}: {reading.figure}"
    if not against:
        return seen
    states, usual = trouble.states[sign.id], rules.usual(sign.id)
    expected = max((s for s in states if s != sign.usual), key=lambda state: states[state] - usual[state])
    return f"{seen} ({sign.says[expected]} would be expected)"


@dataclass(frozen=True, slots=True)
class Ranked:
    """A likely cause with the row that stands for it, how much each reading speaks for (above 0) or against it, the
    strongest first, and the causes it cannot be told apart from by what was seen."""

    cause: CauseId
    trouble: Trouble
    share: float
    weights: tuple[tuple[float, Reading], ...]
    rivals: tuple[CauseId, ...] = ()


@dataclass(frozen=True, slots=True)
class Doubtful:
    """What may be there and would point to a trouble if it is."""

    sign: str
    says: str
    figure: str
    points_to: Trouble


@dataclass(frozen=True)
class Ranking:
    """The causes, most likely first, and what they rest on; ``why_none`` where there is none to name.

    ``all_well`` where nothing on the face points to a trouble.
    """

    rules: Chart
    readings: tuple[Reading, ...] = ()
    ranked: tuple[Ranked, ...] = ()
    why_none: str | None = None
    all_well: bool = False
    doubtful: Doubtful | None = None

    def evidence(self, one: Ranked) -> tuple[str, ...]:
        """What speaks for a cause, the strongest first."""
        return tuple(_in_words(one.trouble, r, False, self.rules) for w, r in one.weights if w >= _limit())

    def against(self, one: Ranked) -> tuple[str, ...]:
        """What speaks against a cause, the strongest first."""
        return tuple(_in_words(one.trouble, r, True, self.rules) for w, r in one.weights if w <= -_limit())

    def leading(self, one: Ranked) -> Reading | None:
        """What speaks most for a cause."""
        return next((reading for weight, reading in one.weights if weight >= _limit()), None)


def _limit() -> float:
    return math.log(RankingFigures.read().evidence)


def _silence(posterior: Posterior, readings: tuple[Reading, ...], rules: Chart) -> Ranking:
    """Why no cause is named; and what the surest indication would point to if a look finds that it is really there."""
    share = f"{posterior.nothing:.0%} that nothing was wrong"
    doubtful = [reading for reading in readings if rules.signs[reading.sign].seen and _off(reading, rules) > 1]
    if not doubtful:
        well = f"Nothing on the face points to a trouble ({share})."
        return Ranking(rules, readings, why_none=well, all_well=True)
    best = max(doubtful, key=lambda reading: _off(reading, rules))
    sign = rules.signs[best.sign]
    state = max((s for s in sign.states if s != sign.usual), key=lambda s: best.likelihood[s])
    if_there = replace(best, likelihood={s: 1.0 if s == state else 1e-3 for s in sign.states})
    found = (*(reading for reading in readings if reading.sign != best.sign), if_there)
    shares = weigh(found, rules).troubles
    likely = max(rules.troubles, key=lambda trouble: shares[trouble.id])
    why = (
        f"Nothing on the face points surely to a trouble ({share}). Look for {sign.says[state]} ({best.figure}): "
        f"if it is there, it points to {likely.title}."
    )
    return Ranking(rules, readings, why_none=why, doubtful=Doubtful(sign.id, sign.says[state], best.figure, likely))


def _off(reading: Reading, rules: Chart) -> float:
    """How many times likelier the reading is under its best off-normal state than under the usual one."""
    usual = rules.signs[reading.sign].usual
    return max(p for state, p in reading.likelihood.items() if state != usual) / reading.likelihood[usual]


def rank(result: Result) -> Ranking:
    """The likely causes of what a measured ``result`` shows, most likely first, or why none is named.

    Uses measures, indications, joint, gauge readings, statements and welding settings; never pixels. Silent on a bead
    on which nothing wrong is the best explanation. Raises :class:`SettingsError` for impossible settings.
    """
    settings, rule = result.settings, RankingFigures.read()
    position = settings_position(settings)
    weld = settings.welding
    rules = chart().of(settings.joint, weld.technique, position.name if position else None, weld.polarity)
    readings = read_signs(result, normal())
    if not any(reading.sign in ("width_spread", "edges", "ripples", "pitch", "spatter") for reading in readings):
        why = "Too little of the bead could be measured to say anything about causes."
        return Ranking(rules, readings, why_none=why)
    posterior = weigh(readings, rules)
    if posterior.nothing > rule.silent_above:
        return _silence(posterior, readings, rules)
    by_cause: dict[CauseId, list[Trouble]] = {}
    for trouble in rules.troubles:
        by_cause.setdefault(trouble.cause, []).append(trouble)
    # Rows of one cause never stand together in a set unless of different variables, so the sum is capped.
    shares = {c: min(1.0, sum(posterior.troubles[t.id] for t in rows)) for c, rows in by_cause.items()}
    likely = sorted((c for c in shares if shares[c] >= rule.least), key=lambda c: -shares[c])[: rule.most]
    leading = {c: max(by_cause[c], key=lambda t: posterior.troubles[t.id]) for c in likely}
    weights = {c: _weights(leading[c], readings, rules) for c in likely}
    speaks = {c: {r.sign for w, r in weights[c] if w >= _limit()} for c in likely}
    likely = [c for c in likely if speaks[c]]  # no cause without a sign that speaks for it
    if not likely:
        return Ranking(rules, readings, why_none="Something is off, but no single cause stands out.")

    def rivals(one: CauseId, other: CauseId) -> bool:
        """Alike in likelihood, the one mostly instead of the other, and for the same signs unless one leads."""
        shared = len(speaks[one] & speaks[other])
        if likely[0] not in (one, other) and 2 * shared < min(len(speaks[one]), len(speaks[other])):
            return False
        less, more = sorted((shares[one], shares[other]))
        pairs = (frozenset((a.id, b.id)) for a in by_cause[one] for b in by_cause[other])
        together = sum(posterior.pairs.get(pair, 0.0) for pair in pairs)
        return bool(more < rule.alike * less and together < rule.together * less)

    return Ranking(
        rules,
        readings,
        ranked=tuple(
            Ranked(c, leading[c], shares[c], weights[c], tuple(o for o in likely if o != c and rivals(c, o)))
            for c in likely
        ),
    )
