"""Quantities as people read them: mm or inch, rounded to what their uncertainty allows."""

from __future__ import annotations

import re
from math import floor, isfinite, log10
from typing import Literal

from toeline.errors import SettingsError
from toeline.result import Quantity

Unit = Literal["mm", "in"]
MM_PER_INCH = 25.4  # exact by definition, ISO 80000-3
_NAMES = {"1": "", "deg": "°"}
_LENGTH = re.compile(
    r"(?:(?P<whole>\d+)(?:\s+|-))?(?P<over>\d+)/(?P<under>\d+)\s*(?P<of>in|\")?|(?P<plain>-?(?:\d+\.?\d*|\.\d+))\s*(?P<unit>mm|in|\")?"
)


def convert(value: float, unit: str, wanted: Unit) -> tuple[float, str]:
    """A value and its unit as the user wants lengths; what is no length in mm stays as it is."""
    if wanted == "in":
        if unit == "mm":
            return value / MM_PER_INCH, "in"
        if unit in ("px/mm", "1/mm"):
            return value * MM_PER_INCH, unit.replace("mm", "in")
    return value, unit


def decimals_for(spread: float) -> int:
    """Decimals that show an uncertainty with two digits when it starts with 1 or 2, else with one (GUM 7.2.6)."""
    if spread < 1e-9:
        return 2
    place = floor(log10(spread))
    return max(0, (1 if spread / 10**place < 2.95 else 0) - place)


def say(quantity: Quantity, wanted: Unit = "mm", *, with_spread: bool = True) -> str:
    """``8.23 ± 0.12 mm``, or why there is no value."""
    if quantity.value is None:
        return quantity.why or "not known"
    value, unit = convert(quantity.value, quantity.unit, wanted)
    name = _NAMES.get(unit, " " + unit)
    if not quantity.U:
        whole = unit == "1" and quantity.value == round(quantity.value)
        return f"{value:.{0 if whole else 3 if wanted == 'in' and unit == 'in' else 2}f}{name}"
    spread, _ = convert(quantity.U, quantity.unit, wanted)
    places = decimals_for(spread)
    return f"{value:.{places}f} ± {spread:.{places}f}{name}" if with_spread else f"{value:.{places}f}{name}"


def length(mm: float, wanted: Unit = "mm") -> str:
    """A length for a sentence, to a welder's precision: ``6.2 mm``, ``84 mm``, ``0.24 in``."""
    value, unit = convert(mm, "mm", wanted)
    places = 2 if wanted == "in" else 2 if abs(mm) < 1 else 1 if abs(mm) < 20 else 0
    return f"{value:.{places}f} {unit}"


#: Rods as they are sold where inches are used, by their core in mm (AWS A5.1, from memory).
_RODS = {
    1.6: "1/16",
    2.0: "5/64",
    2.4: "3/32",
    2.5: "3/32",
    3.2: "1/8",
    4.0: "5/32",
    4.8: "3/16",
    5.0: "3/16",
    6.0: "1/4",
}


def rod(mm: float, wanted: Unit = "mm") -> str:
    """A rod's core as boxes name it: ``3.2 mm``, ``1/8 in``."""
    return f"{_RODS[mm]} in" if wanted == "in" and mm in _RODS else length(mm, wanted)


def figure(mm: float, wanted: Unit = "mm") -> str:
    """A limit, to the last digit that a gauge could tell: ``0.25 mm``, ``1 mm``, ``0.031 in``."""
    value, unit = convert(mm, "mm", wanted)
    text = f"{value:.{3 if unit == 'in' else 2}f}".rstrip("0").rstrip(".")
    return f"{'0' if text in ('-0', '') else text} {unit}"


def temperature(celsius: float, wanted: Unit = "mm") -> str:
    """A temperature for a sentence: ``250 °C``, and in Fahrenheit where lengths are in inches."""
    return f"{celsius:.0f} °C" if wanted == "mm" else f"{celsius * 9 / 5 + 32:.0f} °F"


#: A length in a text of ours, one with its inches already beside it, and pixels to a length.
_SAID = re.compile(
    r"\d[\d.]*(?: to \d[\d.]*)? mm \((?P<inches>(?:[\d/.]+ to )?[\d/.]+ in)\)"
    r"|(?P<px>\d[\d.]*) pixels per mm\b"
    r"|(?:(?P<low>\d[\d.]*) to )?(?P<mm>\d[\d.]*) mm\b(?! =)"
)


def in_unit(text: str, wanted: Unit) -> str:
    """A text of ours with its lengths in the user's unit; a limit that stands as its standard prints it (``2 mm = 0.079
    in``) is left."""
    return text if wanted == "mm" else _SAID.sub(_as_inches, text)


def _as_inches(found: re.Match[str]) -> str:
    if found["inches"]:
        return found["inches"]
    if found["px"]:
        return f"{float(found['px']) * MM_PER_INCH:.0f} pixels per inch"

    def inches(typed: str) -> str:
        mm = float(typed)
        return f"{mm / MM_PER_INCH:.{3 if mm < 10 else 2}f}".rstrip("0").rstrip(".")

    low = f"{inches(found['low'])} to " if found["low"] else ""
    return f"{low}{inches(found['mm'])} in"


def span(low_mm: float, high_mm: float, wanted: Unit = "mm") -> str:
    """A range of lengths for a sentence: ``120 to 250 mm``."""
    return f"{length(low_mm, wanted).split()[0]} to {length(high_mm, wanted)}"


#: Greatest length or figure that is taken for one: beyond it a number is a slip of the finger.
GREATEST = 1e5
#: As many characters as any length that is typed.
_LONGEST = 40


def read_length(text: str, unit: Unit = "mm") -> float:
    """A length as it is typed, in mm: ``3.2`` (in ``unit``), ``3.2mm``, ``0.125in``, ``1/8``, ``1 1/2``.

    A fraction is one of an inch, as rods and plates are sold by. Raises SettingsError.
    """
    found = _LENGTH.fullmatch(text.strip().lower()) if len(text) < _LONGEST else None
    if found is None or (found["under"] is not None and int(found["under"]) == 0):
        raise SettingsError(f"{text!r} is no length; give a number, such as 3.2, or a fraction of an inch, as 1/8.")
    if found["over"]:
        return (int(found["whole"] or 0) + int(found["over"]) / int(found["under"])) * MM_PER_INCH
    value = float(found["plain"]) * (MM_PER_INCH if (found["unit"] or unit) != "mm" else 1.0)
    if not isfinite(value):
        raise SettingsError(f"{text!r} is no finite length.")
    return value


_TEMPERATURE = re.compile(r"(-?\d+(?:\.\d*)?)\s*°?\s*([cf])?", re.IGNORECASE)


def read_temperature(typed: float | str, unit: Unit = "mm") -> float:
    """A temperature as it is typed, in °C: ``250``, ``250 C``, ``480F``; a plain figure is °F where lengths are
    in inches. Raises SettingsError.
    """
    found = _TEMPERATURE.fullmatch(str(typed).strip())
    if found is None or not abs(float(found[1])) < GREATEST:
        raise SettingsError(f"{typed!r} is no temperature; give a number, such as 150, or 300F.")
    fahrenheit = (found[2] or ("f" if unit == "in" else "c")).lower() == "f"
    value = float(found[1])
    return (value - 32) * 5 / 9 if fahrenheit else value
