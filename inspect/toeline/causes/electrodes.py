"""Stick electrodes: a designation read into class and coating, and the current range of a class and core diameter."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, TypeVar

from toeline.causes.figures import ElectrodeFigures, Family, RangeTable, Span
from toeline.result import Joint, Model, Welding

T = TypeVar("T")

_LETTERS = re.compile(
    r"(?:EN)?(?:ISO)?(?:2560)?-?A?-?E(35|38|42|46|50)([0-6AZ])"
    r"(MN1NI|1NIMO|MNMO|[123]NI|MN\dNI|MO|Z\w*?)?"
    r"(RA|RB|RC|RR|A|B|C|R)([1-8])?([1-5])?(?:H(?:5|10|15))?",
)
_DIGITS = re.compile(r"E?(\d{2,3})(\d{2})(?!\d)")
_STAINLESS = re.compile(r"E?308L?(?:-(\d\d))?")


class Electrode(Model):
    """What a designation says. ``name`` is the class whose tables hold for it, None where no table does.

    ``arc`` is the arc length as a share of the core diameter, 0 for a rod that is dragged.
    """

    designation: str
    name: str | None
    coating: str
    family: Family
    polarity: tuple[str, ...]
    positions: tuple[str, ...]
    arc: float
    source: str

    @property
    def dragged(self) -> bool:
        """Whether the rod is led with its coating resting on the plate."""
        return self.arc == 0

    def positions_of(self, joint: Joint) -> tuple[str, ...]:
        """The positions that it is made for on this joint, by the words that positions go by."""
        here = (each.removesuffix(" fillet") if joint == "fillet" else each for each in self.positions)
        return tuple(each for each in here if not each.endswith(" fillet"))


class CurrentRange(Model):
    """A current range for a class and diameter, A; ``whose`` says whose it is, as in "the handbook's range".

    ``also_a`` is a second source's, where there is one.
    """

    electrode_class: str | None
    diameter_mm: float | None
    low_a: float
    high_a: float
    whose: str = "the handbook's"
    source: str
    also_a: tuple[float, float] | None = None
    also_source: str | None = None


def read_electrode(text: str) -> Electrode | None:
    """The rod that a person typed, by AWS (``7018``, ``E7018-1 H4R``, ``E308L-16``) or ISO 2560-A and -B (``E 42 4 B 42
    H5``, ``E4918``), or None where it is no designation known here."""
    packed = re.sub(r"[\s_:]", "", text.upper())
    return _by_letters(text, packed) or _by_digits(text, packed)


def electrode_class(text: str) -> str | None:
    """The class a person typed as the tables name it, or None where no table holds for it."""
    rod = read_electrode(text)
    return rod.name if rod else None


def _of_class(text: str, name: str, **more: Any) -> Electrode:
    fields = ElectrodeFigures.read().classes[name].model_dump(exclude={"like"})
    return Electrode.model_validate({"designation": text.strip(), "name": name} | fields | more)


def _by_digits(text: str, packed: str) -> Electrode | None:
    rule = ElectrodeFigures.read().designation.digits
    if stainless := _STAINLESS.match(packed):
        dc_only = {"polarity": ("DC+",)} if stainless[1] == "15" else {}
        return _of_class(text, "E308L", **dc_only)
    found = _DIGITS.search(packed)
    if not found or found[1] not in rule.strengths or found[2] in rule.never.get(found[1], ()):
        return None
    name = rule.classes.get(found[2])
    return _of_class(text, name) if name else None


def _by_letters(text: str, packed: str) -> Electrode | None:
    rule = ElectrodeFigures.read().designation.letters
    found = _LETTERS.fullmatch(packed)
    if not found:
        return None
    coating, current, position = rule.coating[found[4]], found[5], found[6]
    high_yield = current in rule.current.high_yield
    name = coating.high_yield if high_yield else coating.class_
    more: dict[str, Any] = {"coating": coating.coating, "family": coating.family, "source": rule.source}
    if current in rule.current.dc_only or (found[4] == "C" and current is None):
        more["polarity"] = ("DC+",) if found[4] in ("B", "C") else ("DC+", "DC-")
    elif current is not None:
        more["polarity"] = ("DC+", "AC") if found[4] in ("B", "C") else ("AC", "DC+", "DC-")
    if position is not None:
        more["positions"] = rule.positions[position]
    if name is None:
        unsaid = {"polarity": ("AC", "DC+", "DC-"), "positions": rule.positions["1"], "arc": 1.0}
        return Electrode.model_validate({"designation": text.strip(), "name": None} | unsaid | more)
    return _of_class(text, name, **more)


def diameter_key(table: Mapping[str, Any], diameter_mm: float) -> str | None:
    """The table's diameter that a typed one stands for."""
    key = min(table, key=lambda each: abs(float(each) - diameter_mm))
    return key if abs(float(key) - diameter_mm) <= ElectrodeFigures.read().diameters.within_mm else None


def table_of(tables: Mapping[str, T], name: str) -> T | None:
    """The table of a class, or of the class whose table it shares."""
    return tables.get(name) or tables.get(ElectrodeFigures.read().classes[name].like or "")


def handbook_range(class_text: str, diameter_mm: float) -> CurrentRange | None:
    """The current range of a class and core diameter, from the first table of ``electrodes.toml`` that has it."""
    name = electrode_class(class_text)
    if name is None:
        return None
    found: list[tuple[RangeTable, str, Span]] = []
    for source in ElectrodeFigures.read().ranges.table:
        table = table_of(source.amps, name)
        key = diameter_key(table, diameter_mm) if table else None
        if table and key:
            found.append((source, key, table[key]))
    if not found:
        return None
    (first, key, (low, high)), also = found[0], found[1] if len(found) > 1 else None
    return CurrentRange(
        electrode_class=name,
        diameter_mm=float(key),
        low_a=low,
        high_a=high,
        whose=first.name,
        source=first.source,
        also_a=also[2] if also else None,
        also_source=also[0].source if also else None,
    )


def current_range(welding: Welding) -> CurrentRange | None:
    """The range that holds for these settings: the rod's own box before any table."""
    rod = read_electrode(welding.electrode_class) if welding.electrode_class else None
    if welding.box_range_a is not None:
        return CurrentRange(
            electrode_class=rod.name if rod else None,
            diameter_mm=welding.electrode_mm,
            low_a=welding.box_range_a[0],
            high_a=welding.box_range_a[1],
            whose="the box's",
            source="the range printed on the rod's box, as typed",
        )
    if rod is None or rod.name is None or welding.electrode_mm is None:
        return None
    return handbook_range(rod.name, welding.electrode_mm)
