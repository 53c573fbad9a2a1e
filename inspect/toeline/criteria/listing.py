"""A criteria set as a person reads it: one row a line, limits in the user's unit as the standard states them."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import get_args

from toeline.criteria.expression import expression
from toeline.criteria.model import VARIABLES, Criteria, Line, PerLength, limit
from toeline.result import Joint
from toeline.units import MM_PER_INCH, Unit, figure

#: Legs are measured in the photo of a fillet with a card on each plate.
_LEGS = ("leg_shortfall", "leg_difference")
#: What decides a line, by the form of what it limits.
_DECIDES = {
    "presence": "a person's look",
    "located": "a person's look, a gauge",
    "sized": "a person's count, a gauge",
    "window": "a person's count, a gauge",
    "scalar": "a gauge",
}
_WORDS = {"none": "none permitted", "allowed": "no limit", "application": "depends on the application"}


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a criteria table, all text."""

    id: str
    imperfection: str
    iso6520: str
    joints: str
    when: str
    limit: str
    evidence: str
    source: str
    confidence: str
    note: str


def criteria_table(criteria: Criteria, unit: Unit = "mm", thickness: float | None = None) -> tuple[Row, ...]:
    """The set's rows; with a plate ``thickness`` (mm) only those that hold for it, limits worked out where they can."""
    return tuple(_row(line.column(unit), unit, thickness) for line in criteria.lines if _holds(line, unit, thickness))


def _holds(line: Line, unit: Unit, thickness: float | None) -> bool:
    when = line.column(unit).condition()
    if when is None or thickness is None or when.names != {"t"}:
        return True
    return when.holds({"t": thickness / (MM_PER_INCH if line.in_inches(unit) else 1)})


def _row(line: Line, unit: Unit, thickness: float | None) -> Row:
    values = {} if thickness is None else {"t": thickness, "s": thickness}
    condition = ", ".join(
        part
        for part in (
            line.when and f"{_signs(line.when)}{_in(line, unit)}",
            line.only_if and f"if {line.only_if}",
            "advice, fails nothing" if line.advice else "",
        )
        if part
    )
    return Row(
        line.id,
        line.imperfection,
        line.iso6520 or "",
        "every joint" if set(line.joints) == set(get_args(Joint)) else ", ".join(line.joints),
        condition,
        limit_text(line, unit, values),
        _decided_by(line),
        line.cited,
        line.confidence,
        line.note or "",
    )


def _decided_by(line: Line) -> str:
    """What decides a line; a photo that only finds something is none of it."""
    kind = line.kind
    if line.evidence == "root" and line.of == "face":
        return "not on the face"
    if line.limit == "application":
        return "a person's answer"
    if kind.form == "scalar" and kind.statement:
        return "a person's count"
    if kind.form == "scalar" and not kind.readings:
        return "the photo"
    if kind.relief:
        return "a gauge, a relief"
    return "the photo, a gauge" if line.of in _LEGS else _DECIDES[kind.form]


def _in(line: Line, unit: Unit) -> str:
    return " in" if line.in_inches(unit) else " mm"


def limit_text(line: Line, unit: Unit, values: Mapping[str, float]) -> str:
    """The limit in words for a line already in its ``unit`` column, worked out with ``values`` (mm) where it can be."""
    if line.of == "face" and line.evidence == "root":
        return "not visible from the face"
    parts = []
    limit = line.parsed()
    per = line.per_length
    if limit.word is not None and not (limit.word == "none" and per):
        parts.append(_WORDS[limit.word])
    elif limit.word is None:
        parts.append(_bound(line, line.limit, unit, values))
    if line.window:
        parts[-1] += f" in any {_plain(line.window, line, unit)}"
    if line.counts_from:
        parts.append(f"counted from {_plain(line.counts_from, line, unit)}")
    if per:
        inner = _bound(line, per.limit or line.limit, unit, values)
        parts.append(f"{inner} over at most {_extent(per, line, unit)}{', none elsewhere' if limit.word else ''}")
    return "; ".join(parts)


def _extent(per: PerLength, line: Line, unit: Unit) -> str:
    """``25 mm in any 100 mm (25 % of a shorter weld)`` or ``10 % of the weld's length``."""
    if per.window == "l":
        whole = expression(per.length, VARIABLES.keys())
        if whole.names != {"l"}:
            return f"{_plain(per.length, line, unit)} in the whole weld"
        return f"{100 * whole.value({'l': 1.0}):g} % of the weld's length"
    shorter = "" if per.share is None else f" ({100 * per.share:g} % of a shorter weld)"
    return f"{_plain(per.length, line, unit)} in any {_plain(per.window, line, unit)}{shorter}"


def _plain(text: str, line: Line, unit: Unit) -> str:
    return f"{text.replace('*', ' ')}{_in(line, unit)}"


def _bound(line: Line, text: str, unit: Unit, values: Mapping[str, float]) -> str:
    """``h <= min(0.2 t, 1) mm``, and what that comes to."""
    from_line = line.model_copy(update={"limit": text, "per_length": None}).parsed()
    written = _signs(text)
    if line.kind.unit == "deg":
        return f"{written}°"
    suffix = "" if line.kind.unit == "1" else _in(line, unit)
    bound = from_line.expression
    if not bound.names:
        if line.kind.unit == "mm" and unit == "in" and not line.in_inches(unit):
            return f"{written}{suffix} = {figure(bound.value({}), unit)}"
        return f"{written}{suffix}"
    if not bound.names <= values.keys():
        return f"{written}{suffix}"
    factor = MM_PER_INCH if line.in_inches(unit) else 1
    value = bound.value({name: values[name] / factor for name in bound.names})
    return f"{written}{suffix} = {figure(value * factor, unit) if line.kind.unit == 'mm' else f'{value:g}'}"


def _signs(text: str) -> str:
    """An expression as it is printed."""
    return text.replace("<=", "≤").replace(">=", "≥").replace("*", " ").replace("alpha", "α")


def symbols(criteria: Criteria) -> tuple[str, ...]:
    """What the names in the set's limits and conditions mean, as far as they are used: ``t plate thickness``."""
    used: set[str] = set()
    for line in criteria.lines:
        when, per = line.condition(), line.per_length
        written = [line.limit, *([per.limit] if per and per.limit else [])]
        used |= when.names if when else set()
        used = used.union(*(limit(text, line.kind.symbol).expression.names for text in written))
    return tuple(f"{name} {meaning}" for name, meaning in VARIABLES.items() if name in used)


def own_copy(criteria: Criteria) -> str:
    """The text of a criteria file that rests on ``criteria``, every line there to be changed, for a user to edit."""
    parts = [
        f"# Rests on {criteria.id}: {criteria.title}, {criteria.edition}.",
        "# Take the marks off a line and change what differs; remove = true takes a line away, a new id adds one.",
        "# A new limit drops the old one's length rule and inch column: write them again where they are meant.",
        f'id = "my-{criteria.id}"',
        f'title = "{criteria.title}, our changes"',
        'edition = "1"',
        'standard = "our own rule"',
        f'base = "{criteria.id}"',
    ]
    for line in criteria.lines:
        parts += [
            "",
            f"# {line.imperfection}: {limit_text(line, 'mm', {})}",
            "# [[line]]",
            f'# id = "{line.id}"',
            f'# limit = "{line.limit}"',
            *([f"# per_length = {_as_toml(line.per_length)}"] if line.per_length else []),
            '# source = "where your limit stands"',
            '# confidence = "A"',
        ]
    return "\n".join(parts) + "\n"


def _as_toml(rule: PerLength) -> str:
    """A length rule as an inline table."""
    given = rule.model_dump(exclude_none=True)
    return "{ " + ", ".join(f"{key} = {json.dumps(value)}" for key, value in given.items()) + " }"
