"""What probably caused what the bead shows, and what to change on the next one."""

from toeline.causes.finding import CauseFinding, practise, rank_causes

__all__ = ["CauseFinding", "practise", "rank_causes"]
