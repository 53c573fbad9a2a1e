"""A welder's continuity: when each process and position was last welded on record, and when its six months end.

It confirms nothing: what was welded elsewhere is not known here, and whoever answers for the qualification signs.
"""

from __future__ import annotations

import calendar
import datetime
from collections.abc import Iterator
from typing import Any, Literal

from pydantic import ValidationError
from sqlalchemy import Connection, Select, select

from toeline.causes.position import named_position, settings_position
from toeline.record import tables as t
from toeline.record.figures import ContinuityFigures
from toeline.record.json_part import json_part
from toeline.record.search import day_of_welding, decided, holds, personal
from toeline.result import Model, Settings
from toeline.text import one_line

#: Said beside it wherever it is shown.
CONFIRMS_NOTHING = (
    "Counted is what is on record here, by the day of welding where it was given, else by the day of inspection, which "
    "may be later. It confirms nothing: who answers for the qualification signs, and the edition that governs counts."
)

#: Shielded metal arc welding by its number in ISO 4063.
STICK = "111"
State = Literal["in force", "soon", "lapsed"]
#: Which day of a weld counts: the day of welding, or that of its inspection where nobody said the former.
DayOf = Literal["welded", "inspected"]


class Kept(Model):
    """What a welder keeps up: a process in any ``position`` (None) or in one; "" where the position was not said.

    ``number`` is the entry of the ``last`` weld, ``accepted`` the day of the last one that a person accepted.
    ``lapses`` is the day six months after the last. ``last_is`` says which day of it counts.
    """

    welder: str
    process: str
    position: str | None
    last: datetime.date
    last_is: DayOf
    number: int
    inspection: str
    accepted: datetime.date | None
    lapses: datetime.date
    state: State

    @property
    def what(self) -> str:
        """Process and position in words."""
        process = "stick welding (process 111)" if self.process == STICK else f"process {self.process}"
        return f"{process}, {'any position' if self.position is None else self.position or 'position not said'}"


def continuity(connection: Connection, on: datetime.date, welder: str | None = None) -> tuple[Kept, ...]:
    """What each welder on record keeps up by the day ``on``: the process first, then its positions; who lapses, first.

    Superseded inspections do not count, nor do those without a welder's name or from after that day.
    """
    found: dict[tuple[str, str, str | None], dict[str, Any]] = {}
    for row in connection.execute(_rows()).mappings():
        name, at = one_line(row["welder"]), datetime.date.fromisoformat(row["day"])
        if at > on or (welder is not None and name.casefold() != one_line(welder).casefold()):
            continue
        process, position = _what(row)
        for place in (None, position):
            one = found.setdefault((name.casefold(), process, place), {"welder": name, "accepted": None, "last": at})
            if at >= one["last"]:
                last_is = "welded" if row["welded_on"] else "inspected"
                one |= {"last": at, "last_is": last_is, "number": row["seq"], "inspection": row["id"]}
            if row["decision"] == "accept":
                one["accepted"] = max(at, one["accepted"] or at)
    told = {(name, process) for name, process, place in found if place}
    kept = [
        _kept(process, place, one, on)
        for (name, process, place), one in found.items()
        if place != "" or (name, process) in told  # else it says what "any position" says
    ]
    first = {one.welder.casefold(): one.lapses for one in sorted(kept, key=lambda k: k.lapses, reverse=True)}
    return tuple(
        sorted(
            kept,
            key=lambda k: (
                first[k.welder.casefold()],
                k.welder.casefold(),
                k.process,
                k.position is not None,
                k.lapses,
            ),
        )
    )


def _kept(process: str, place: str | None, one: dict[str, Any], on: datetime.date) -> Kept:
    rules = ContinuityFigures.read()
    lapses = months_after(one["last"], rules.months)
    left = (lapses - on).days
    state: State = "lapsed" if left < 0 else "soon" if left <= rules.soon_days else "in force"
    return Kept(process=process, position=place, lapses=lapses, state=state, **one)


def months_after(day: datetime.date, months: int) -> datetime.date:
    """The same day so many months later, or that month's last."""
    count = day.month - 1 + months
    year, month = day.year + count // 12, count % 12 + 1
    return datetime.date(year, month, min(day.day, calendar.monthrange(year, month)[1]))


def _rows() -> Select[Any]:
    welder = personal("welder")
    return (
        select(
            t.inspection.c.id,
            t.inspection.c.position,
            t.inspection.c.welded_on,
            t.ledger.c.seq,
            day_of_welding().label("day"),
            welder.label("welder"),
            decided().label("decision"),
            json_part(t.inspection.c.result, "$.settings").label("settings"),
        )
        .join(t.ledger, t.ledger.c.subject == t.inspection.c.id)
        .where(holds(), welder.is_not(None))
        .order_by(t.ledger.c.seq)
    )


def _what(row: Any) -> tuple[str, str]:
    """Process and position of an inspection; the position blank where neither settings nor identity tell it."""
    try:
        settings = Settings.model_validate_json(row["settings"])
    except (ValidationError, TypeError):
        return STICK, ""
    process = settings.procedure.process if settings.procedure else STICK
    place = settings_position(settings)
    if place is None and row["position"]:
        return process, named_position(row["position"], settings.joint) or ""
    return process, place.name if place else ""


def rules() -> Iterator[str]:
    """What lapses when, by each standard, with its source."""
    for rule in ContinuityFigures.read().rule:
        yield f"{rule.title}, by {rule.by}: {rule.says}. Source: {rule.source}."
