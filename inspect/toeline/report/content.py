"""What a report says, in the order it says it, as plain text: the PDF and the HTML page only lay it out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from toeline.causes.chart import chart
from toeline.causes.position import settings_position
from toeline.document import withhold
from toeline.evidence.gauge import spoken_reading
from toeline.evidence.needs import spoken
from toeline.judgement.decision import RULE_MEANINGS, RULE_NAMES
from toeline.measures.registry import title_of
from toeline.names import CAUSES, TESTS
from toeline.report.fillet_sketch import draw_cross_section
from toeline.report.highlights import CHANCES, measures_to_read
from toeline.report.key import UNSURE, keyed_indications
from toeline.report.relief_map import cuts, draw_height_map, draw_section, title_of_cut
from toeline.report.relief_profile import draw_relief_profile
from toeline.result import BudgetRow, JudgedLine, Quantity, Result
from toeline.text import capital, clause, sentence
from toeline.units import Unit, convert, figure, in_unit, say, temperature

if TYPE_CHECKING:
    from toeline.record import Identity, Inspection, NewDecision, WeldTest

Row = tuple[str, str]

#: What the photos of an inspection are there for.
PHOTO_WORDS = {"measured": "measured", "heights": "for heights", "further": "further"}

#: Said on every report, whatever was measured.
LIMITS = (
    "A photo of the face shows no depth and no height, nothing below the surface, no lack of fusion, and no crack "
    "finer than its pixels.",
    "This report does not replace a visual inspection. Acceptance belongs to a qualified inspector under the code "
    "that governs the work.",
)

#: What a procedure's lines come to.
PROCEDURE_WORDS = {"inside": "inside", "outside": "OUTSIDE", "unknown": "not known"}

_OUTCOMES = {"pass": "PASS", "fail": "FAIL", "undecided": "UNDECIDED"}
_DECISIONS = {"accept": "ACCEPTED", "reject": "REJECTED", "refer": "REFERRED"}


@dataclass(frozen=True, slots=True)
class KeyRow:
    """A numbered indication as on the picture."""

    number: str
    title: str
    detail: str
    iso6520: str
    confidence: str


@dataclass(frozen=True, slots=True)
class MeasureRow:
    """A measure: value and U, or why there is none."""

    name: str
    value: str
    U: str
    n: str
    why: str


@dataclass(frozen=True, slots=True)
class LineRow:
    """A criteria line."""

    imperfection: str
    limit: str
    measured: str
    outcome: str
    why: str
    source: str


@dataclass(frozen=True, slots=True)
class CauseRow:
    """A likely cause with its evidence and what to try."""

    name: str
    likelihood: str
    evidence: str
    against: str
    try_first: str
    told_apart_by: str


@dataclass(frozen=True, slots=True)
class ReportContent:
    """Everything a report says; empty tuples and None are left out by the layouts."""

    title: str
    head: str  # whose weld it is, for the head of every page
    made_at: str
    superseded: str  # large, where this report no longer holds
    outcome: str
    outcome_text: str
    decision: str
    decision_text: str
    decision_reason: str
    warnings: tuple[str, ...]
    identity: tuple[Row, ...]
    corrects: tuple[Row, ...]
    remarks: str
    picture_alt: str
    picture_note: str
    key: tuple[KeyRow, ...]
    cross_section: str  # SVG, for a fillet
    relief_profile: str  # SVG, where several photos told height and depth
    height_map: str  # SVG, likewise
    sections: tuple[Row, ...]  # each a title and its SVG
    measures: tuple[MeasureRow, ...]
    criteria: tuple[Row, ...]
    lines: tuple[LineRow, ...]
    needs: tuple[str, ...]
    gauge: tuple[tuple[str, str, str, str], ...]
    tests: tuple[tuple[str, str, str, str], ...]
    procedure_title: str
    procedure: tuple[tuple[str, str, str, str], ...]
    unused: tuple[str, ...]
    calibration: tuple[Row, ...]
    budget_title: str
    budget: tuple[tuple[str, str, str, str], ...]
    settings: tuple[Row, ...]
    settings_said: tuple[str, ...]
    causes: tuple[CauseRow, ...]
    causes_why: str
    first: str
    then: tuple[str, ...]
    causes_note: str
    repeat: str
    before_next: tuple[str, ...]
    problems: tuple[str, ...]
    cautions: tuple[str, ...]
    digests: tuple[Row, ...]
    versions: str


def report_content(
    result: Result,
    identity: Identity | None = None,
    decision: NewDecision | None = None,
    *,
    inspection: Inspection | None = None,
    unit: Unit = "mm",
    made_at: datetime | None = None,
) -> ReportContent:
    """The report of a result. ``inspection``, where it is on record, brings identity, decision and chain digest."""
    if inspection is not None:
        identity, decision = inspection.identity, inspection.decision
    if result.stopped:  # also one on record from before such photos were measured no further
        result = withhold(result, result.stopped).model_copy(update={"measures": {}, "causes_why": None})
    judgement, sheet = result.judgement, result.coaching
    outcome, outcome_text = _outcome(result)
    key = keyed_indications(result, unit)
    budget_title, budget = _budget(result, unit)
    shown = cuts(result, unit)
    return ReportContent(
        title="Weld face report",
        head=_head(result, identity, inspection),
        superseded=_superseded(inspection),
        made_at=(made_at or datetime.now(UTC)).astimezone(UTC).strftime("%Y-%m-%d %H:%M UTC"),
        outcome=outcome,
        outcome_text=outcome_text,
        decision=_DECISIONS[decision.decision] if decision else "",
        decision_text=_decided(decision),
        decision_reason=(decision.reason or "") if decision else "",
        warnings=_warnings(result, inspection),
        identity=_identity(identity, inspection),
        corrects=_corrects(inspection),
        remarks=(inspection.remarks or "") if inspection else "",
        picture_alt=_picture_alt(result),
        picture_note=_picture_note(result, unsure=any(entry.perhaps for entry in key)),
        key=tuple(
            KeyRow(
                entry.label,
                entry.title,
                entry.detail,
                entry.members[0].iso6520 or "",
                entry.sureness,
            )
            for entry in key
        ),
        cross_section=draw_cross_section(result, unit) or "",
        relief_profile=draw_relief_profile(result, unit) or "",
        height_map=draw_height_map(result, unit, shown) or "",
        sections=tuple((title_of_cut(cut, unit), svg) for cut in shown if (svg := draw_section(result, cut))),
        measures=tuple(_measure(name, quantity, unit) for name, quantity in measures_to_read(result).items()),
        criteria=_criteria(result),
        lines=tuple(_line(line, unit) for line in judgement.lines) if judgement else (),
        needs=tuple(map(spoken, judgement.needs)) if judgement else (),
        gauge=tuple(_gauge(result, unit)),
        tests=test_rows(inspection.tests) if inspection else (),
        procedure_title=_procedure_title(result),
        procedure=tuple((p.variable, p.allowed, p.used, PROCEDURE_WORDS[p.outcome]) for p in result.procedure),
        unused=judgement.unused if judgement else (),
        calibration=_calibration(result, unit),
        budget_title=budget_title,
        budget=budget,
        settings=_settings(result, unit),
        settings_said=tuple(str(line) for line in result.advice.get("settings_lines", ())),
        causes=tuple(
            CauseRow(
                CAUSES[cause.cause],
                f"{100 * cause.likelihood:.0f} %",
                "; ".join(cause.evidence),
                "; ".join(cause.against),
                cause.try_[0] if cause.try_ else "",
                cause.told_apart_by or "",
            )
            for cause in result.causes[:3]
        ),
        causes_why=result.causes_why or "",
        first=sheet.first if sheet else "",
        then=(*sheet.then, *sheet.failing, *(f"Also: {line}" for line in sheet.also)) if sheet else (),
        causes_note=CHANCES if len(result.causes) > 1 else "",
        repeat=sheet.repeat if sheet else "",
        before_next=sheet.cautions if sheet else (),
        problems=tuple(problem.text for problem in result.photo.problems),
        cautions=tuple(dict.fromkeys((*LIMITS, *(judgement.cautions if judgement else ()), *result.cautions))),
        digests=_digests(result, inspection),
        versions=" · ".join(f"{name} {version}" for name, version in result.versions.items() if len(version) < 40),
    )


def _outcome(result: Result) -> tuple[str, str]:
    judgement = result.judgement
    if result.stopped:
        stops = [problem.text for problem in result.photo.problems if problem.severity == "stop"]
        return "NOT MEASURED", " ".join(stops) or result.bead.why or result.stopped
    if judgement is None:
        return "NOT JUDGED", "No acceptance criteria were chosen."
    counts = {kind: sum(line.outcome == kind for line in judgement.lines) for kind in _OUTCOMES}
    said = ", ".join(f"{count} {kind}" for kind, count in counts.items() if count)
    beside = f" {sentence('; '.join(judgement.beside))}" if judgement.beside else ""
    against = f"Against {judgement.title}, edition {judgement.edition}. Lines: {said}."
    return _OUTCOMES[judgement.outcome], against + beside


def _decided(decision: NewDecision | None) -> str:
    if decision is None:
        return ""
    by = f"by {decision.by}" if decision.by else ""
    at = getattr(decision, "at", "")
    return " ".join(part for part in (by, f"on {at[:16].replace('T', ' ')} UTC" if at else "") if part)


def _head(result: Result, identity: Identity | None, inspection: Inspection | None) -> str:
    if identity is None:
        return f"Photo {result.photo.name}"
    parts = (
        weld_words(identity),
        f"job {identity.job}" if identity.job else "",
        f"entry {inspection.number}" if inspection else "",
    )
    return capital(", ".join(filter(None, parts)))


def weld_words(identity: Identity) -> str:
    """Which weld it is, and which part of it, in a few words."""
    parts = (
        f"weld {identity.weld}" if identity.weld else "weld without a number",
        f"drawing {identity.drawing}" if identity.drawing else "",
        f"{identity.weld_pass} pass" if identity.weld_pass else "",
        f"layer {identity.layer}" if identity.layer else "",
        identity.face or "",
    )
    return ", ".join(filter(None, parts))


def part_words(identity: Identity) -> str:
    """Which part of its weld an inspection shows: pass, layer and side."""
    said = weld_words(identity.model_copy(update={"weld": None, "drawing": None}))
    return said.removeprefix("weld without a number").removeprefix(", ") or "the weld"


def _superseded(inspection: Inspection | None) -> str:
    if inspection is None or inspection.superseded_by is None:
        return ""
    return f"SUPERSEDED by entry {inspection.superseded_by_number}: this report no longer holds."


def _warnings(result: Result, inspection: Inspection | None) -> tuple[str, ...]:
    """What stands beside the outcome: a later test that did not pass, a setting outside the welding procedure."""
    said = [
        f"A later test did not pass: {TESTS[one.kind]}{f' of {one.date}' if one.date else ''}"
        f"{f', {clause(one.found)}' if one.found else ''}."
        for one in (inspection.tests if inspection else ())
        if one.outcome == "fail" and one.superseded_by is None
    ]
    outside = [f"{clause(one.variable)} {one.used}" for one in result.procedure if one.outcome == "outside"]
    if outside:
        said.append(f"Welded outside the procedure {_procedure_name(result)}: {'; '.join(outside)}.")
    return tuple(said)


def _procedure_name(result: Result) -> str:
    procedure = result.settings.procedure
    return "" if procedure is None else procedure.name


def _procedure_title(result: Result) -> str:
    procedure = result.settings.procedure
    if procedure is None:
        return ""
    revision = f", revision {procedure.revision}" if procedure.revision else ""
    said = f", {result.settings.welding.weld_pass} pass" if result.settings.welding.weld_pass else ""
    return f"Welding procedure {procedure.name}{revision}{said}"


def test_rows(tests: Sequence[WeldTest]) -> tuple[tuple[str, str, str, str], ...]:
    """Tests made on a weld later on: what, its result, what was found and by what papers, who and when."""
    rows = []
    for one in tests:
        papers = (
            sentence(one.found or ""),
            f"By {one.standard}." if one.standard else "",
            f"Specimen {one.specimen}." if one.specimen else "",
            f"Report {one.report}." if one.report else "",
            f"{len(one.photos)} {'photo' if len(one.photos) == 1 else 'photos'} kept with it." if one.photos else "",
            f"Why the earlier result was superseded: {sentence(one.why_superseded)}" if one.why_superseded else "",
        )
        outcome = one.outcome if one.superseded_by is None else f"superseded by entry {one.superseded_by}"
        who = ", ".join(filter(None, (one.by, one.date.isoformat() if one.date else "", f"entry {one.number}")))
        rows.append((capital(TESTS[one.kind]), outcome, " ".join(filter(None, papers)), who))
    return tuple(rows)


def _identity(identity: Identity | None, inspection: Inspection | None) -> tuple[Row, ...]:
    if identity is None:
        return ()
    which = (("Pass", identity.weld_pass), ("Layer", identity.layer), ("Side", identity.face))
    rows = [
        ("Job", identity.job),
        ("Part", identity.part),
        ("Drawing", identity.drawing),
        ("Weld", identity.weld),
        *((name, text) for name, text in which if text),
        ("Welder", identity.welder),
        ("Procedure", identity.procedure),
        ("Position", identity.position),
        ("Inspector", identity.inspector),
        *((("Welded on", identity.welded_on.isoformat()),) if identity.welded_on else ()),
        ("Date", identity.date.isoformat() if identity.date else None),
    ]
    gone = inspection.erased if inspection else ()
    return tuple((name, text or ("erased on request" if name.lower() in gone else "–")) for name, text in rows)


def _corrects(inspection: Inspection | None) -> tuple[Row, ...]:
    """Which entry this one took the place of, why, and what else that undid."""
    if inspection is None or not inspection.supersedes:
        return ()
    why = inspection.why_superseded or "the reason was erased"
    return ("Supersedes", f"entry {inspection.supersedes_number}: {why}"), ("Undone by it", " ".join(inspection.undid))


def _picture_alt(result: Result) -> str:
    if result.stopped:
        return f"The whole photo. {result.stopped}"
    count = len(result.indications)
    seen = f"{count} indications are marked" if count else "no indication is marked"
    return f"Photo of the weld bead turned so that travel runs to the right, with both toes drawn; {seen}."


def _picture_note(result: Result, *, unsure: bool) -> str:
    if result.stopped:
        return ""
    travel = (
        f"Travel runs to the right, read from the ripples ({result.bead.travel_evidence})"
        if result.bead.travel == "known"
        else "Travel is taken to run to the right; it could not be read from the ripples"
    )
    looked = f" {UNSURE}" if unsure else ""
    return f"Solid line: left toe. Dashed line: right toe. {travel}.{looked}"


def _measure(name: str, quantity: Quantity, unit: Unit) -> MeasureRow:
    if quantity.value is None:
        return MeasureRow(in_unit(title_of(name), unit), "", "", "", quantity.why or "not known")
    value, _, spread = say(quantity, unit).partition(" ± ")
    return MeasureRow(in_unit(title_of(name), unit), value, spread, str(quantity.n) if quantity.n else "", "")


def _criteria(result: Result) -> tuple[Row, ...]:
    judgement = result.judgement
    if judgement is None:
        return ()
    rows = [
        ("Criteria", f"{judgement.title} ({judgement.criteria}), edition {judgement.edition}"),
        ("Decision rule", sentence(f"{RULE_NAMES[judgement.rule]}: {RULE_MEANINGS[judgement.rule]}")),
    ]
    if judgement.differs_from:
        differences = "; ".join(judgement.differences) or "see the file"
        rows.append(("Differs", f"from {judgement.differs_from}: {differences}"))
    return tuple(rows)


def _line(line: JudgedLine, unit: Unit) -> LineRow:
    number = f" ({line.iso6520})" if line.iso6520 else ""
    where = ""
    if line.at is not None:
        at, said = convert(line.at, "mm", unit)
        place = f"{at:.{2 if unit == 'in' else 0}f} {said}"
        where = "" if place in line.why else f" At {place} from the start."
    return LineRow(
        imperfection=line.imperfection + number,
        limit=line.limit,
        measured=say(line.measured, unit) if line.measured is not None and line.measured.known else "–",
        outcome=_OUTCOMES[line.outcome].lower(),
        why=sentence(line.why) + where,
        source=line.source,
    )


def _gauge(result: Result, unit: Unit) -> list[tuple[str, str, str, str]]:
    """What a person gauged and what a person saw: what, how much, where and who."""
    rows = []
    for reading in result.settings.gauge:
        at = "whole weld"
        if reading.at is not None:
            place, name = convert(reading.at, "mm", unit)
            at = f"{place:.{2 if unit == 'in' else 0}f} {name} from the start"
        rows.append((*spoken_reading(reading, unit), at, reading.by or "not named"))
    return rows


def _calibration(result: Result, unit: Unit) -> tuple[Row, ...]:
    scale = result.scale
    if scale.state == "none":
        return (("Scale", "none: " + (scale.why or "no reference card was found")),)
    check = result.settings.check_line_mm
    rows = [
        ("Reference card", " and ".join(scale.cards) + ", ID-1 size, 36h11 markers"),
        (
            "Check line",
            f"{figure(check, unit)} read on the card's 50 mm line" if check else "not measured on the print",
        ),
    ]
    for name, quantity in (
        ("Print scale", scale.print_scale),
        ("Resolution at the bead", scale.px_per_mm),
        ("Camera off square", scale.tilt),
    ):
        if quantity is not None:
            rows.append((name, say(quantity, unit)))
    rows.append(("Camera", result.photo.camera or "not stated in the photo"))
    rows.append(("Camera profile", scale.camera_profile or "none: from the photo's own data and the card"))
    rows.append(("Photo", f"{result.photo.width_px} × {result.photo.height_px} px, taken {_taken(result)}"))
    return tuple(rows)


def _taken(result: Result) -> str:
    return result.photo.taken_at.replace("T", " ") if result.photo.taken_at else "at an unknown time"


def _budget(result: Result, unit: Unit) -> tuple[str, tuple[tuple[str, str, str, str], ...]]:
    """The uncertainty budget of the first measure that has one, of those that matter most."""
    for name in ("width_mean", "leg_base", "throat", "length"):
        quantity = measures_to_read(result).get(name)
        if quantity is not None and quantity.budget:
            total = sum(row.u**2 for row in quantity.budget) or 1.0
            rows = sorted(quantity.budget, key=lambda row: -row.u)
            return in_unit(title_of(name), unit), tuple(_budget_row(row, quantity.unit, total, unit) for row in rows)
    return "", ()


def _budget_row(row: BudgetRow, own: str, total: float, unit: Unit) -> tuple[str, str, str, str]:
    u, said = convert(row.u, own, unit)
    return row.label, row.distribution, f"{u:.{4 if unit == 'in' else 3}f} {said}", f"{100 * row.u**2 / total:.0f} %"


def _settings(result: Result, unit: Unit) -> tuple[Row, ...]:
    settings, welding = result.settings, result.settings.welding

    def length(value: float | None) -> str | None:
        if value is None:
            return None
        shown, said = convert(value, "mm", unit)
        return f"{round(shown, 3):g} {said}"

    place = settings_position(settings)
    electrode = " ".join(filter(None, (welding.electrode_class, length(welding.electrode_mm))))
    current = " ".join(filter(None, (f"{welding.current_a:g} A" if welding.current_a else "", welding.polarity)))
    rows = (
        ("Joint", {"bead": "bead on plate"}.get(settings.joint, settings.joint)),
        ("Thickness", length(settings.thickness_mm)),
        (f"Drawing size ({settings.drawing_size_is})", length(settings.drawing_size_mm)),
        ("Electrode", electrode),
        ("Current", current),
        ("Box range", "{:g} to {:g} A".format(*welding.box_range_a) if welding.box_range_a else None),
        ("Technique", welding.technique),
        ("Pass", welding.weld_pass),
        ("Preheat", None if welding.preheat_c is None else temperature(welding.preheat_c, unit)),
        ("Interpass temperature", None if welding.interpass_c is None else temperature(welding.interpass_c, unit)),
        ("Position", place.name + f" ({place.aws}, {place.iso})" if place else None),
        ("Voltage", f"{welding.voltage_v:g} V" if welding.voltage_v else None),
        ("Arc time", f"{welding.arc_time_s:g} s" if welding.arc_time_s else None),
        ("Travel speed", f"{figure(welding.travel_mm_min, unit)} a minute" if welding.travel_mm_min else None),
    )
    noticed = [(sign.replace("_", " ").capitalize(), says) for sign, says in _noticed(result)]
    return (*((name, text) for name, text in rows if text), *noticed)


def _noticed(result: Result) -> list[Row]:
    """What was seen or heard while welding, in the chart's words."""
    signs = chart().signs
    said = result.settings.welding.noticed
    return [(name, signs[name].says.get(state, state) if name in signs else state) for name, state in said.items()]


def _digests(result: Result, inspection: Inspection | None) -> tuple[Row, ...]:
    rows = [("Photo, SHA-256", result.photo.sha256)]
    if result.judgement is not None:
        rows.append(("Criteria, SHA-256", result.judgement.digest))
    if inspection is not None:
        rows.append((f"Record, entry {inspection.number}", inspection.digest))
        rows.append((f"Record's head at entry {inspection.head.number}, when printed", inspection.head.digest))
        rows.append(("Inspection", inspection.id))
        rows += [
            (f"Photo {k}, {PHOTO_WORDS[one.use]}, SHA-256", one.sha256)
            for k, one in enumerate(inspection.photos[1:], start=2)
        ]
    return tuple(rows)
