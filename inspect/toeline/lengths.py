"""Lengths at the edges: millimetres inside, the user's unit where a person reads or types."""

from __future__ import annotations

from typing import Literal

MM_PER_INCH = 25.4


def shown(mm: float, unit: Literal["mm", "in"], U: float | None = None) -> str:
    """A length in the user's unit with two or three decimals, its uncertainty beside it."""
    factor, places = (1.0, 2) if unit == "mm" else (MM_PER_INCH, 3)
    spread = "" if U is None else f" ± {_number(U / factor, places)}"
    return f"{_number(mm / factor, places)}{spread} {unit}"


def _number(value: float, places: int) -> str:
    text = f"{value:.{places}f}"
    trimmed = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if trimmed == "-0" else trimmed
