"""What a person gauged or states about a weld: names with their meaning, and reading ``NAME=VALUE[@SEAM]``."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from functools import cache
from typing import Literal

from pydantic import Field

from toeline.datafile import DataFile, Table
from toeline.errors import SettingsError
from toeline.result import GaugeReading, IndicationKind, Model, Quantity
from toeline.text import capital
from toeline.units import GREATEST, MM_PER_INCH, Unit, say

_NUMBER = r"-?\d+(?:\.\d*)?(?:[eE][+-]?\d+)?|-?\.\d+"
_FORM = re.compile(
    rf"(?P<name>[a-z_0-9]+)\s*=\s*(?P<value>{_NUMBER})\s*(?P<unit>[a-z\"]*)"
    rf"(?:\s*(?:±|\+-|\+/-)\s*(?P<U>{_NUMBER})\s*(?P<U_unit>[a-z\"]*))?"
    rf"(?:\s*@\s*(?P<at>{_NUMBER})\s*(?P<at_unit>[a-z\"]*))?",
    re.IGNORECASE,
)
_LOOK = re.compile(
    rf"(?P<name>[a-z_]+)\s*=\s*(?P<seen>none|no|yes|\d{{1,9}})(?:\s*@\s*(?P<at>{_NUMBER})\s*(?P<at_unit>[a-z\"]*))?",
    re.IGNORECASE,
)
_TO_MM = {"mm": 1.0, "in": MM_PER_INCH, '"': MM_PER_INCH}


class Gauge(Model):
    """Something a person can gauge or state; ``U`` (k = 2) holds where the reading brings none of its own.

    A ``statement`` answers its ``question`` by eye, exactly: how many where ``counted``, else 1 for yes and 0 for no. A
    ``permission`` is 1 or 0; ``sees`` is what a photo's reading calls it; ``covers`` names the statements that a 0
    stands for.
    """

    name: str
    meaning: str
    unit: Literal["mm", "deg", "1"] = "1"
    U: float = 0.0
    statement: bool = False
    permission: bool = False
    question: str = ""
    counted: bool = False
    sees: IndicationKind | None = None
    covers: tuple[str, ...] = ()


class GaugeRow(Table):
    """What a person can gauge, as it is written."""

    meaning: str
    unit: Literal["mm", "deg"]
    U: float = Field(gt=0)


class StatementRow(Table):
    """What a person can state, as it is written."""

    meaning: str
    question: str = ""
    counted: bool = False
    permission: bool = False
    sees: IndicationKind | None = None
    covers: tuple[str, ...] = ()


class GaugeFigures(DataFile, file="gauges.toml"):
    """Everything that a person can gauge or state."""

    gauge: dict[str, GaugeRow]
    statement: dict[str, StatementRow]


@cache
def gauges() -> Mapping[str, Gauge]:
    """Every name a reading may have."""
    data = GaugeFigures.read()
    measured = {name: Gauge(name=name, **dict(row)) for name, row in data.gauge.items()}
    stated = {name: Gauge(name=name, statement=True, **dict(row)) for name, row in data.statement.items()}
    return {**measured, **stated}


def read_gauge(text: str, unit: Literal["mm", "in"] = "mm") -> GaugeReading:
    """``NAME=VALUE[±U][@SEAM]`` as a reading in mm (or degrees, or a count).

    A plain length is in ``unit``; ``mm`` or ``in`` behind a number says otherwise. Raises SettingsError.
    """
    match = _FORM.fullmatch(text.strip())
    if match is None:
        raise SettingsError(
            f"The gauge reading '{text}' is not NAME=VALUE or NAME=VALUE@PLACE, as undercut_depth=0.4@37."
        )
    name = match["name"].lower()
    gauge = gauges().get(name)
    if gauge is None:
        raise SettingsError(f"There is no gauge reading named '{name}'; known are {', '.join(gauges())}.")
    value = _value(match["value"], match["unit"], gauge, unit, text)
    own_U = None if match["U"] is None else _value(match["U"], match["U_unit"] or match["unit"], gauge, unit, text)
    at = None if match["at"] is None else _length(match["at"], match["at_unit"], unit, text)
    return check_reading(GaugeReading(name=name, value=value, at=at, U=own_U, unit=gauge.unit))


def read_look(text: str, unit: Literal["mm", "in"] = "mm") -> GaugeReading:
    """What a person saw, ``NAME=none``, ``NAME=yes`` or a count, with ``@PLACE`` at one place, as a statement.

    A name may stand for one of its kind: ``crack=none``. Raises SettingsError.
    """
    match = _LOOK.fullmatch(text.strip())
    if match is None:
        raise SettingsError(f"The look '{text}' is not NAME=none, NAME=yes or NAME=COUNT, as crack=none or pores=3.")
    typed, seen = match["name"].lower(), match["seen"].lower()
    asked = {name: gauge for name, gauge in gauges().items() if gauge.question}
    gauge = asked.get(typed) or asked.get(f"{typed}s")
    if gauge is None:
        raise SettingsError(f"There is no look named '{typed}'; known are {', '.join(asked)}.")
    if gauge.counted and seen == "yes":
        raise SettingsError(f"'{gauge.name}' is counted: say how many, as {gauge.name}=3.")
    if not gauge.counted and seen.isdigit():
        raise SettingsError(f"'{gauge.name}' is asked with yes or no: {gauge.question}")
    if gauge.permission and seen == "none":
        raise SettingsError(f"'{gauge.name}' is answered with yes or no: {gauge.question}")
    value = {"none": 0.0, "no": 0.0, "yes": 1.0}.get(seen)
    at = None if match["at"] is None else _length(match["at"], match["at_unit"], unit, text)
    return check_reading(GaugeReading(name=gauge.name, value=float(seen) if value is None else value, at=at, unit="1"))


def spoken_reading(reading: GaugeReading, unit: Unit) -> tuple[str, str]:
    """What was gauged or looked for, and what came out, in words for someone who was not there."""
    gauge, said = gauges().get(reading.name), in_words(reading, unit)
    if gauge is None:
        return capital(reading.name.replace("_", " ")), said
    if gauge.covers:
        each = ", ".join(gauges()[name].meaning for name in gauge.covers)
        return f"A look along the whole weld for {each}", "none seen"
    if gauge.permission:
        return gauge.question, said
    what = capital(gauge.meaning.split("; ")[0])
    if not gauge.statement:
        return what, said
    return what, "none seen" if reading.value == 0 else f"{said} counted" if gauge.counted else "seen"


def in_words(reading: GaugeReading, unit: Unit) -> str:
    """What was read or seen: ``0.40 ± 0.20 mm``, or ``none``, ``yes``, a count."""
    gauge = gauges().get(reading.name)
    if gauge is None or not gauge.statement:
        return say(Quantity(value=reading.value, U=reading.U, unit=reading.unit), unit)
    if gauge.permission:
        return "yes" if reading.value else "no"
    if reading.value == 0:
        return "none"
    return f"{reading.value:.0f}" if gauge.counted or reading.value > 1 else "yes"


def check_reading(reading: GaugeReading) -> GaugeReading:
    """The reading with its U filled in, in mm, degrees or counts; SettingsError where it makes no sense."""
    gauge = gauges().get(reading.name)
    if gauge is None:
        raise SettingsError(f"There is no gauge reading named '{reading.name}'; known are {', '.join(gauges())}.")
    if gauge.unit == "mm" and reading.unit in _TO_MM:
        factor = _TO_MM[reading.unit]
    elif reading.unit in (gauge.unit, "mm"):  # a reading's unit is mm unless it was said
        factor = 1.0
    else:
        raise SettingsError(f"The gauge reading '{reading.name}' is in {reading.unit}, but is read in {gauge.unit}.")
    value, own_U = reading.value * factor, None if reading.U is None else reading.U * factor
    if value < 0 or (own_U is not None and own_U < 0):
        raise SettingsError(f"The gauge reading '{reading.name}' cannot be below zero; say 0 where there is none.")
    if gauge.unit == "deg" and value > 180:
        raise SettingsError(f"The gauge reading '{reading.name}' cannot be more than 180 degrees.")
    if gauge.statement and value != math.floor(value):
        raise SettingsError(f"'{reading.name}' is a count: give a whole number, 0 for none.")
    if gauge.statement and own_U:
        raise SettingsError(f"'{reading.name}' is a count and takes no uncertainty.")
    if gauge.permission and value not in (0, 1):
        raise SettingsError(f"'{reading.name}' is 1 for yes or 0 for no.")
    if gauge.covers and value != 0:
        raise SettingsError(f"'{reading.name}' can only be 0; state what was seen by name: {', '.join(gauge.covers)}.")
    return reading.model_copy(update={"value": value, "U": gauge.U if own_U is None else own_U, "unit": gauge.unit})


def _value(number: str, suffix: str, gauge: Gauge, unit: Literal["mm", "in"], text: str) -> float:
    if gauge.unit == "mm":
        return _length(number, suffix, unit, text)
    if suffix.lower() not in ("", "deg") or (suffix and gauge.unit != "deg"):
        raise SettingsError(f"The gauge reading '{text}' takes no unit '{suffix}'.")
    return _finite(number, text)


def _length(number: str, suffix: str, unit: Literal["mm", "in"], text: str) -> float:
    factor = _TO_MM.get(suffix.lower() or unit)
    if factor is None:
        raise SettingsError(f"The gauge reading '{text}' has the unit '{suffix}'; use mm or in.")
    return _finite(number, text) * factor


def _finite(number: str, text: str) -> float:
    value = float(number)
    if not value < GREATEST:
        raise SettingsError(f"The gauge reading '{text}' is larger than anything on a weld.")
    return value
