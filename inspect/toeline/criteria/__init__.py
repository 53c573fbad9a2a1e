"""Acceptance criteria as data: reading, checking, listing and comparing sets."""

from toeline.criteria.listing import Row, criteria_table, own_copy, symbols
from toeline.criteria.load import differences, is_shipped, list_criteria, load_criteria
from toeline.criteria.model import QUANTITIES, VARIABLES, Criteria, Line

__all__ = [
    "QUANTITIES",
    "VARIABLES",
    "Criteria",
    "Line",
    "Row",
    "criteria_table",
    "differences",
    "is_shipped",
    "list_criteria",
    "load_criteria",
    "own_copy",
    "symbols",
]
