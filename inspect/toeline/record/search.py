"""Finding inspections, and how a measure went over time."""

from __future__ import annotations

import datetime
import json
from typing import Any, Literal

from sqlalchemy import (
    JSON,
    ColumnElement,
    Connection,
    ScalarSelect,
    Select,
    and_,
    cast,
    exists,
    func,
    or_,
    select,
    type_coerce,
)

from toeline.errors import RecordError
from toeline.record import tables as t
from toeline.record.chain import WORDS
from toeline.record.json_part import json_part
from toeline.record.models import DecisionKind, Identity, Page, Summary, TrendPoint
from toeline.result import Model, Outcome

#: The identity's fields that stand in the inspection itself; welder and inspector stand apart, to be erasable.
PLAIN_FIELDS = (*WORDS, "date", "welded_on")

_PERSONAL_FIELDS = ("welder", "inspector")

#: Trends of more than one measure: numerator, denominator, factor, unit.
_RATIOS = {"undercut_per_100mm": ("undercut_length_total", "length", 100.0, "mm")}


class Filters(Model):
    """What an inspection must have; a field left out does not matter. Text matches whole, whatever its case."""

    job: str | None = None
    part: str | None = None
    drawing: str | None = None
    weld: str | None = None
    weld_pass: str | None = None
    layer: str | None = None
    face: str | None = None
    welder: str | None = None
    procedure: str | None = None
    position: str | None = None
    inspector: str | None = None
    outcome: Outcome | None = None
    decision: DecisionKind | Literal["none"] | None = None
    since: datetime.date | None = None
    until: datetime.date | None = None
    superseded: bool = False  # whether to show those too


def personal(field: str) -> ScalarSelect[Any]:
    """A personal text of an inspection, for a query on inspections."""
    return (
        select(t.personal.c.value)
        .where(t.personal.c.subject == t.inspection.c.id, t.personal.c.field == field)
        .scalar_subquery()
    )


def decided() -> ScalarSelect[Any]:
    """The decision that holds, for a query on inspections."""
    return (
        select(t.decision.c.decision)
        .where(t.decision.c.inspection_id == t.inspection.c.id)
        .order_by(t.decision.c.number.desc())
        .limit(1)
        .scalar_subquery()
    )


def day() -> ColumnElement[str]:
    """The day of the inspection: as said, else the day it was recorded."""
    return func.coalesce(t.inspection.c.date, func.substr(t.inspection.c.created_at, 1, 10))


def day_of_welding() -> ColumnElement[str]:
    """The day of welding where it is known, else that of the inspection, before which it was welded."""
    return func.coalesce(t.inspection.c.welded_on, day())


def _superseded() -> ColumnElement[bool]:
    newer = t.inspection.alias("newer")
    return exists(select(newer.c.id).where(newer.c.supersedes == t.inspection.c.id))


def holds() -> ColumnElement[bool]:
    """That an inspection was not superseded."""
    return ~_superseded()


def _same(column: Any, text: str) -> ColumnElement[bool]:
    return func.lower(column) == text.strip().casefold()


def _conditions(text: str, filters: Filters) -> list[ColumnElement[bool]]:
    conditions: list[ColumnElement[bool]] = []
    plain = [t.inspection.c[name] for name in (*PLAIN_FIELDS, "id", "criteria_id")]
    for word in text.split():
        said = exists(
            select(t.personal.c.subject).where(
                t.personal.c.inspection_id == t.inspection.c.id,
                func.lower(t.personal.c.value).contains(word.casefold(), autoescape=True),
            )
        )
        conditions.append(
            or_(said, *(func.lower(column).contains(word.casefold(), autoescape=True) for column in plain))
        )
    conditions.extend(
        _same(personal(field) if field in _PERSONAL_FIELDS else t.inspection.c[field], wanted)
        for field in (*WORDS, *_PERSONAL_FIELDS)
        if (wanted := getattr(filters, field))
    )
    if filters.outcome:
        conditions.append(t.inspection.c.outcome == filters.outcome)
    if filters.decision == "none":
        conditions.append(decided().is_(None))
    elif filters.decision:
        conditions.append(decided() == filters.decision)
    if filters.since:
        conditions.append(day() >= filters.since.isoformat())
    if filters.until:
        conditions.append(day() <= filters.until.isoformat())
    if not filters.superseded:
        conditions.append(holds())
    return conditions


def _sort_key(name: str) -> ColumnElement[Any]:
    """The column to sort by: a field of the identity, ``created``, ``outcome``, ``decision``, or a measure's name."""
    if name == "created":
        return t.ledger.c.seq  # not by the clock, which may have been set back
    if name == "date":
        return day()
    if name == "decision":
        return decided()
    if name in _PERSONAL_FIELDS:
        return func.lower(personal(name))
    if name in PLAIN_FIELDS:
        return func.lower(t.inspection.c[name])
    if name == "outcome":
        return t.inspection.c.outcome
    return (
        select(t.measure.c.value)
        .where(t.measure.c.inspection_id == t.inspection.c.id, t.measure.c.name == name)
        .scalar_subquery()
    )


def _rows() -> Select[Any]:
    first = and_(t.inspection_photo.c.inspection_id == t.inspection.c.id, t.inspection_photo.c.place == 0)
    return (
        select(
            *(t.inspection.c[name] for name in ("id", "created_at", "outcome", "criteria_id", *PLAIN_FIELDS)),
            t.ledger.c.seq,
            t.inspection_photo.c.sha256,
            personal("welder").label("welder"),
            personal("inspector").label("inspector"),
            decided().label("decision"),
            _superseded().label("superseded"),
            json_part(t.inspection.c.result, "$.judgement.beside").label("beside"),
        )
        .outerjoin(t.ledger, t.ledger.c.subject == t.inspection.c.id)  # what is counted is shown, whatever is missing
        .outerjoin(t.inspection_photo, first)
    )


def find(
    connection: Connection,
    text: str,
    filters: Filters,
    *,
    sort: str = "created",
    descending: bool = True,
    page: int = 1,
    size: int = 50,
) -> Page:
    """One page of the inspections that match.

    Every word of ``text`` must stand somewhere in the identity, a remark, a reason or a photo's name. ``sort``: a
    field of the identity, ``created``, ``outcome``, ``decision`` or a measure's name; what lacks it comes last.

    Raises:
        RecordError: no such page or size.
    """
    if page < 1 or not 1 <= size <= 1000:
        raise RecordError("Pages count from 1 and hold 1 to 1000 rows.")
    conditions = _conditions(text, filters)
    total = connection.execute(select(func.count()).select_from(t.inspection).where(*conditions)).scalar_one()
    key = _sort_key(sort)
    newest = t.ledger.c.seq.desc() if descending else t.ledger.c.seq
    rows = (
        _rows()
        .where(*conditions)
        .order_by((key.desc() if descending else key.asc()).nulls_last(), newest)
        .limit(size)
        .offset((page - 1) * size)
    )
    return Page(items=_summed_up(connection, rows), total=total, page=page, size=size)


def summaries(connection: Connection, condition: ColumnElement[bool]) -> tuple[Summary, ...]:
    """The inspections that meet a condition, superseded ones too, in the order in which they were recorded."""
    return _summed_up(connection, _rows().where(condition).order_by(t.ledger.c.seq))


def _summed_up(connection: Connection, rows: Select[Any]) -> tuple[Summary, ...]:
    return tuple(
        Summary(
            id=row["id"],
            number=row["seq"] or 0,
            created_at=row["created_at"],
            identity=Identity(**{name: row[name] for name in (*PLAIN_FIELDS, *_PERSONAL_FIELDS)}),
            outcome=row["outcome"],
            decision=row["decision"],
            criteria=row["criteria_id"],
            photo_sha256=row["sha256"] or "",
            superseded=bool(row["superseded"]),
            beside=tuple(json.loads(row["beside"] or "[]")),
        )
        for row in connection.execute(rows).mappings()
    )


def values(connection: Connection, field: str) -> tuple[str, ...]:
    """Every value in use of a text field of the identity, sorted; RecordError where there is no such field."""
    if field in _PERSONAL_FIELDS:
        query = select(t.personal.c.value).where(t.personal.c.field == field)
    elif field in WORDS:
        query = select(t.inspection.c[field])
    else:
        raise RecordError(f"An identity has no field {field}.")
    return tuple(sorted((v for v in connection.execute(query.distinct()).scalars() if v), key=str.casefold))


def trend(connection: Connection, measure: str, *, welder: str | None, procedure: str | None) -> tuple[TrendPoint, ...]:
    """One measure over time, oldest first; superseded inspections are left out.

    ``measure`` is a name of the result's measures, or ``undercut_per_100mm``. The uncertainty of that ratio is
    the undercut length's alone, as the length of the bead is known far better.
    """
    top, bottom, factor, unit = _RATIOS.get(measure, (measure, None, 1.0, None))
    conditions = _conditions("", Filters(welder=welder, procedure=procedure))
    said = _in_result(connection)
    columns = [
        *(t.inspection.c.id, t.inspection.c.outcome, t.ledger.c.seq, day().label("day")),
        said[("settings", "joint")].as_string().label("joint"),
        said[("settings", "welding", "electrode_mm")].as_float().label("electrode_mm"),
    ]
    upper, lower = t.measure.alias(), t.measure.alias()
    query = (
        select(*columns, decided().label("decision"), upper.c.value, upper.c.U, upper.c.unit, lower.c.value.label("by"))
        .select_from(t.inspection)
        .join(t.ledger, t.ledger.c.subject == t.inspection.c.id)
        .outerjoin(upper, and_(upper.c.inspection_id == t.inspection.c.id, upper.c.name == top))
        .outerjoin(lower, and_(lower.c.inspection_id == t.inspection.c.id, lower.c.name == bottom))
        .where(*conditions)
        .order_by(day(), t.ledger.c.seq)
    )
    points = []
    for row in connection.execute(query).mappings():
        scale: float | None = factor
        if bottom is not None:
            scale = factor / row["by"] if row["by"] else None
        points.append(
            TrendPoint(
                inspection=row["id"],
                number=row["seq"],
                at=row["day"],
                value=None if row["value"] is None or scale is None else row["value"] * scale,
                U=None if row["U"] is None or scale is None else row["U"] * scale,
                unit=unit or row["unit"] or "",
                outcome=row["outcome"],
                decision=row["decision"],
                joint=row["joint"] or "bead",
                electrode_mm=row["electrode_mm"],
            )
        )
    return tuple(points)


def _in_result(connection: Connection) -> Any:
    """The result's document as JSON that a query can look into; it is kept as text."""
    text = t.inspection.c.result
    return cast(text, JSON) if connection.dialect.name == "postgresql" else type_coerce(text, JSON)
