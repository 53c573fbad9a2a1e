"""The decision rule: a value with its uncertainty against one limit.

``guarded``: guarded acceptance with a guard band of the whole expanded uncertainty U (k = 2) on both sides, the
long-standing form of ISO 14253-1: proven inside, proven outside, or undecided. It is a little stricter than the 95 %
default of ISO 14253-1:2017, whose guard band for one far-off limit is 1.65 u.
``simple``: simple acceptance, JCGM 106:2012, 8.2: the value alone against the limit.
The conformance probability of a normal value, JCGM 106:2012, 7.4, goes with either.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal

from toeline.result import Outcome

Rule = Literal["guarded", "simple"]
Sense = Literal["most", "least"]

RULE_NAMES: dict[str, str] = {
    "guarded": "guarded acceptance, guard band U (k = 2), after ISO 14253-1",
    "simple": "simple acceptance, after JCGM 106:2012, 8.2",
}
#: What each rule does, for a reader who has to answer for it.
RULE_MEANINGS: dict[str, str] = {
    "guarded": "pass only if value + U is within the limit, fail only if value − U is beyond it, otherwise undecided",
    "simple": "the value alone is held against the limit; U is stated and not used",
}


@dataclass(frozen=True, slots=True)
class Decision:
    """An outcome and the probability (0..1) that the true value conforms."""

    outcome: Outcome
    p_conform: float


def decide(value: float, U: float, bound: float, sense: Sense, rule: Rule) -> Decision:
    """``value`` ± ``U`` (k = 2) against a ``bound`` it must not exceed (``most``) or fall below (``least``).

    A value equal to the limit conforms.
    """
    margin = bound - value if sense == "most" else value - bound
    guard = U if rule == "guarded" else 0.0
    slack = 1e-9 * max(1.0, abs(bound), abs(value))  # so that 1 mm typed as 0.03937 in stays 1 mm
    outcome: Outcome = "pass" if margin - guard >= -slack else "fail" if margin + guard < -slack else "undecided"
    return Decision(outcome, conformance_probability(margin, U / 2))


def conformance_probability(margin: float, u: float) -> float:
    """Probability that a normal value with standard uncertainty ``u`` lies on the right side, ``margin`` inside."""
    if u == 0:
        return 1.0 if margin >= 0 else 0.0
    return NormalDist().cdf(margin / u)
