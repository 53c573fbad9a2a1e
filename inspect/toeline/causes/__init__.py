"""What probably caused what the bead shows, and what to change on the next one."""

from toeline.causes.coaching import CoachingSheet, coaching_sheet
from toeline.causes.ranking import CauseFinding, rank_causes

__all__ = ["CauseFinding", "CoachingSheet", "coaching_sheet", "rank_causes"]
