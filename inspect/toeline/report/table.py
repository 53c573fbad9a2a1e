"""A result as table rows for other programs. A cell can never be a formula."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from typing import TYPE_CHECKING

from toeline.result import Result

if TYPE_CHECKING:
    from toeline.record import Identity

CSV_COLUMNS = (
    "photo", "sha256", "job", "part", "weld", "welder", "procedure", "position", "inspector", "date",
    "kind", "name", "value", "U", "k", "unit", "n", "from_mm", "to_mm", "side", "outcome", "limit", "source", "why",
)  # fmt: skip

#: First characters that make a spreadsheet take a text for a formula (OWASP, "CSV Injection").
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def guard_cell(text: str) -> str:
    """``text`` so that no spreadsheet runs it: what could start a formula gets an apostrophe before it."""
    return "'" + text if text.lstrip(" ").startswith(_FORMULA) or text.startswith(_FORMULA) else text


def csv_rows(result: Result, identity: Identity | None = None) -> tuple[dict[str, str], ...]:
    """One row per measure, indication, criteria line and cause; every row names its weld. Lengths stay in mm."""
    who = {} if identity is None else identity.model_dump(mode="json", exclude_none=True)
    head = {"photo": result.photo.name, "sha256": result.photo.sha256, **who}
    rows: list[dict[str, object]] = [
        {"kind": "measure", "name": name, "value": q.value, "U": q.U, "k": q.k, "unit": q.unit, "n": q.n, "why": q.why}
        for name, q in result.measures.items()
    ]
    for one in result.indications:
        size = one.size
        rows.append(
            {
                "kind": "indication",
                "name": one.kind,
                "value": size.value if size else None,
                "U": size.U if size else None,
                "k": size.k if size else None,
                "unit": size.unit if size else None,
                "from_mm": one.from_,
                "to_mm": one.to,
                "side": one.side,
                "why": one.why,
            }
        )
    if result.judgement is not None:
        rows.append({"kind": "judgement", "name": result.judgement.criteria, "outcome": result.judgement.outcome})
        for line in result.judgement.lines:
            measured = line.measured
            rows.append(
                {
                    "kind": "line",
                    "name": line.imperfection,
                    "value": measured.value if measured else None,
                    "U": measured.U if measured else None,
                    "k": measured.k if measured else None,
                    "unit": measured.unit if measured else None,
                    "outcome": line.outcome,
                    "limit": line.limit,
                    "source": line.source,
                    "why": line.why,
                }
            )
    rows.extend(
        {"kind": "cause", "name": cause.cause, "value": cause.likelihood, "unit": "1"} for cause in result.causes
    )
    return tuple({key: _cell(value) for key, value in (head | row).items()} for row in rows)


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
