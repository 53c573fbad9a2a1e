"""Text that is safe in a spreadsheet cell: a cell that begins like a formula is marked as text."""

from __future__ import annotations

#: What makes a spreadsheet read a cell as a formula (OWASP, "CSV Injection").
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")


def safe_cell(value: object) -> object:
    """The value as it may stand in a cell: text that begins like a formula gets a leading apostrophe."""
    if isinstance(value, str) and value.lstrip(" ").startswith(FORMULA_STARTS):
        return "'" + value
    return value
