"""The report as one self-contained HTML page: no script, no request to anywhere, every text escaped."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from datetime import datetime
from importlib.resources import files
from string import Template
from typing import TYPE_CHECKING

from markupsafe import Markup, escape

from toeline.photo import Photo
from toeline.report.content import ReportContent, Row, report_content
from toeline.report.picture import draw_picture, encode
from toeline.result import Result
from toeline.text import unbroken
from toeline.units import Unit

if TYPE_CHECKING:
    from toeline.record import Identity, Inspection, NewDecision


def html_report(
    result: Result,
    photo: Photo | bytes | None,
    identity: Identity | None = None,
    decision: NewDecision | None = None,
    *,
    inspection: Inspection | None = None,
    unit: Unit = "mm",
    made_at: datetime | None = None,
) -> str:
    """The report as an HTML page, the picture inside it; arguments as for :func:`toeline.report.pdf_report`."""
    content = report_content(result, identity, decision, inspection=inspection, unit=unit, made_at=made_at)
    picture = (
        encode(draw_picture(photo, result, width=1400, key=False, unit=unit)) if isinstance(photo, Photo) else photo
    )
    page = Template((files("toeline.report") / "report.html").read_text("utf-8"))
    plain = {name: escape(value) for name, value in asdict(content).items() if isinstance(value, str)}
    return page.substitute(plain, body=Markup("\n").join(_sections(content, picture)))


def _sections(d: ReportContent, picture: bytes | None) -> Iterable[Markup]:
    if d.superseded:
        yield Markup('<p class="superseded" role="alert">{}</p>').format(d.superseded)
    yield _list("", d.warnings)
    if d.decision:
        yield Markup("<p><strong>Decision by the person: {}</strong> {}</p>").format(d.decision, d.decision_text)
    if d.decision_reason:
        yield Markup("<p>Reason: {}</p>").format(d.decision_reason)
    yield _pairs("", d.identity)
    yield _pairs("", d.corrects)
    if d.remarks:
        yield Markup("<p>Remarks: {}</p>").format(d.remarks)
    if picture is not None:
        kind = "png" if picture.startswith(b"\x89PNG") else "jpeg"
        yield Markup('<figure><img src="data:image/{};base64,{}" alt="{}"><figcaption>{}</figcaption></figure>').format(
            kind, base64.b64encode(picture).decode(), d.picture_alt, d.picture_note
        )
    yield _table(
        "Indications",
        ("No.", "Indication", "Where along the seam, size", "ISO 6520-1", "Confidence"),
        [(k.number, k.title, k.detail, k.iso6520, k.confidence) for k in d.key],
    )
    yield _pairs("Acceptance criteria", d.criteria)
    yield _table(
        "",
        ("Imperfection", "Limit", "Measured", "Outcome", "Reason", "Clause"),
        [(row.imperfection, row.limit, row.measured, row.outcome, row.why, row.source) for row in d.lines],
    )
    yield _list("What would settle the rest", d.needs)
    yield _table("Gauged and seen by a person", ("What", "Value ± U, or what was seen", "Where", "Who"), d.gauge)
    yield _list("Not used, as no line of the criteria goes by it", d.unused)
    yield _table("Tests made later", ("Test", "Result", "What was found, and the papers", "Who and when"), d.tests)
    yield _table(d.procedure_title, ("Variable", "Allowed", "Welded with", "Within it"), d.procedure)
    yield _table(
        "Measures",
        ("Measure", "Value", "± U (k = 2)", "n"),
        [(m.name, m.value, m.U, m.n) for m in d.measures if m.value],
    )
    if lacking := "; ".join(f"{m.name} ({m.why})" for m in d.measures if not m.value):
        yield Markup("<p>Not measured: {}.</p>").format(lacking)
    if d.cross_section:
        yield _heading("Cross-section, to scale") + Markup(d.cross_section)  # our own drawing, its words escaped
    if d.height_map:
        yield _heading("Height over the plate, from several photos")
        yield Markup('<div class="wide">{}</div>').format(Markup(d.height_map))
        for title, section in d.sections:
            yield Markup("<figure>{}<figcaption>{}</figcaption></figure>").format(Markup(section), title)
    if d.relief_profile:
        yield _heading("Height and depth along the seam, from several photos") + Markup(
            '<div class="wide">{}</div>'
        ).format(Markup(d.relief_profile))
    yield _pairs("Evidence of calibration", d.calibration)
    yield _table(
        f"Uncertainty budget: {d.budget_title}" if d.budget else "",
        ("Contribution", "Distribution", "Standard uncertainty", "Share"),
        d.budget,
    )
    yield _pairs("As stated by the user", d.settings)
    yield _list("", d.settings_said)
    if d.first:
        yield _heading("Do this first") + Markup("<p><strong>{}</strong></p>").format(d.first)
    yield _list("", d.then)
    yield _table(
        "Likely causes",
        ("Cause", "Likelihood", "Evidence", "Against", "Try first", "To tell it apart"),
        [(c.name, c.likelihood, c.evidence, c.against, c.try_first, c.told_apart_by) for c in d.causes],
    )
    for said in filter(None, (d.causes_note, d.causes_why)):
        yield Markup("<p>{}</p>").format(said)
    yield _list("Before the next bead", (d.repeat, *d.before_next) if d.repeat else ())
    yield _list("Notes on the photo", d.problems)
    yield _list("What this report does not show", d.cautions)
    yield _pairs("Digests", d.digests)


def _heading(title: str) -> Markup:
    return Markup("<h2>{}</h2>").format(title) if title else Markup("")


def _pairs(title: str, rows: Sequence[Row]) -> Markup:
    if not rows:
        return Markup("")
    cells = Markup("").join(Markup("<dt>{}</dt><dd>{}</dd>").format(name, unbroken(said)) for name, said in rows)
    return _heading(title) + Markup("<dl>{}</dl>").format(cells)


def _list(title: str, items: Sequence[str]) -> Markup:
    if not items:
        return Markup("")
    return _heading(title) + Markup("<ul>{}</ul>").format(
        Markup("").join(map(Markup("<li>{}</li>").format, map(unbroken, items)))
    )


def _table(title: str, head: Sequence[str], rows: Sequence[Sequence[str]]) -> Markup:
    if not rows:
        return Markup("")
    top = Markup("").join(map(Markup('<th scope="col">{}</th>').format, head))
    cell = Markup('<td data-label="{}">{}</td>').format  # the label is shown on a phone, where rows are stacked
    body = Markup("").join(
        Markup("<tr>{}</tr>").format(Markup("").join(map(cell, head, map(unbroken, row)))) for row in rows
    )
    kind = "figures" if head[-1] == "n" else "stacks"
    return _heading(title) + Markup('<table class="{}"><thead><tr>{}</tr></thead><tbody>{}</tbody></table>').format(
        kind, top, body
    )
