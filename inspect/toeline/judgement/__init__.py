"""Holding a result against acceptance criteria: pass, fail or undecided, line by line and as a whole."""

from toeline.judgement.decision import RULE_MEANINGS, RULE_NAMES, Decision, conformance_probability, decide
from toeline.judgement.judge import judge

__all__ = ["RULE_MEANINGS", "RULE_NAMES", "Decision", "conformance_probability", "decide", "judge"]
