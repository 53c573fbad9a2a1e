"""A result as table rows for other programs. A cell can never be a formula."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable
from typing import TYPE_CHECKING

from toeline.evidence.evidence import Evidence
from toeline.result import Quantity, Result

if TYPE_CHECKING:
    from toeline.record import Identity

CSV_COLUMNS = (
    "photo", "sha256", "job", "part", "drawing", "weld", "weld_pass", "layer", "face",
    "welder", "procedure", "position", "inspector", "date",
    "kind", "name", "value", "U", "k", "unit", "n", "from_mm", "to_mm", "side", "outcome", "limit", "source", "why",
)  # fmt: skip

#: First characters that make a spreadsheet take a text for a formula (OWASP, "CSV Injection"), and where one that is
#: set to another language would split a line into cells and so find a first character in the middle.
_STARTS_FORMULA = re.compile(r"[^\S\t\r\n]*[=+\-@\t\r\n＝＋－＠]")
_SPLITS_BEFORE_FORMULA = re.compile(r"([;\t\r\n]\s*)(?=[=+\-@＝＋－＠])")


def guard_cell(text: str) -> str:
    """``text`` so that no spreadsheet runs it: what could start a formula gets an apostrophe before it."""
    guarded = _SPLITS_BEFORE_FORMULA.sub(r"\1'", text)
    return "'" + guarded if _STARTS_FORMULA.match(text) else guarded


def csv_rows(result: Result, identity: Identity | None = None) -> tuple[dict[str, str], ...]:
    """One row per measure, indication, criteria line and cause; every row names its weld. Lengths stay in mm."""
    who = {} if identity is None else identity.model_dump(mode="json", exclude_none=True)
    head = {"photo": result.photo.name, "sha256": result.photo.sha256, **who}
    if result.stopped:  # nothing on the photo is believed
        row = {"kind": "stopped", "why": result.stopped}
        return (({key: _cell(value) for key, value in (head | row).items()}),)
    rows: list[dict[str, object]] = [
        {"kind": "measure", "name": name, **_quantity(quantity), "n": quantity.n, "why": quantity.why}
        for name, quantity in result.measures.items()
    ]
    how_seen = Evidence(result).how_seen
    for one in result.indications:
        place: dict[str, object] = {"from_mm": one.from_, "to_mm": one.to, "side": one.side}
        place["outcome"] = how_seen(one)
        rows.append({"kind": "indication", "name": one.kind, **_quantity(one.size), **place, "why": one.why})
    if result.judgement is not None:
        judged = {"outcome": result.judgement.outcome, "why": "; ".join(result.judgement.beside)}
        rows.append({"kind": "judgement", "name": result.judgement.criteria, **judged})
        for line in result.judgement.lines:
            said = {"outcome": line.outcome, "limit": line.limit, "source": line.source, "why": line.why}
            rows.append({"kind": "line", "name": line.imperfection, **_quantity(line.measured), **said})
    for reading in result.settings.gauge:
        value = {"value": reading.value, "U": reading.U, "unit": reading.unit, "from_mm": reading.at}
        by = f"by {reading.by or 'a person not named'}"
        rows.append({"kind": "reading", "name": reading.name, **value, "why": by})
    rows.extend(
        {"kind": "procedure", "name": one.variable, "outcome": one.outcome, "limit": one.allowed, "why": one.used}
        for one in result.procedure
    )
    rows.extend(
        {"kind": "cause", "name": cause.cause, "value": cause.likelihood, "unit": "1"} for cause in result.causes
    )
    if result.coaching is not None:
        rows.append({"kind": "advice", "name": result.coaching.first_is, "why": result.coaching.first})
    return tuple({key: _cell(value) for key, value in (head | row).items()} for row in rows)


def _quantity(quantity: Quantity | None) -> dict[str, object]:
    if quantity is None:
        return {}
    return {"value": quantity.value, "U": quantity.U, "k": quantity.k, "unit": quantity.unit}


def csv_text(rows: Iterable[dict[str, str]]) -> str:
    """The rows as CSV (RFC 4180) with a header line."""
    out = io.StringIO()
    writer = csv.DictWriter(out, CSV_COLUMNS, restval="")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def _cell(value: object) -> str:
    if value is None:
        return ""
    return guard_cell(value) if isinstance(value, str) else f"{value:.6g}" if isinstance(value, float) else str(value)
