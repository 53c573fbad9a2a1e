"""Every shipped limit at, just inside and just outside, against figures worked out by hand from the published tables.

The figures and their sources stand in ``published/limits/*.csv``; nothing there was computed by the code under test.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path

import pytest

from judged_results import indication, q, reading, result
from toeline.criteria import QUANTITIES, Criteria, Line, list_criteria, load_criteria
from toeline.judgement import judge
from toeline.result import JudgedLine

LIMITS = Path(__file__).parent / "published" / "limits"
INCH = 25.4  # exact, ISO 80000-3
STEP = {"mm": 1e-3, "in": 1e-4}


def rows(name: str) -> Iterator[dict[str, str]]:
    lines = (line for line in (LIMITS / name).read_text("utf-8").splitlines() if not line.startswith("#"))
    yield from csv.DictReader(lines)


ISO = [
    (f"iso5817-{row['edition']}-{level.lower()}", level, row)
    for row in rows("iso5817.csv")
    for level in ("B", "C", "D")
]
OTHERS = list(rows("others.csv"))


def line_of(criteria: Criteria, name: str) -> Line:
    return next(line for line in criteria.lines if line.id == name)


def evidence_of(line: Line, value: float, size: float, extent: float | None) -> dict[str, object]:
    """Settings and measures that show ``value`` of what the line limits, exactly known; ``size`` a fillet's nominal."""
    kind = QUANTITIES[line.of]
    gauge = []
    measures = {}
    match line.of:
        case "leg_shortfall":
            gauge = [reading("leg_base", size - value), reading("leg_upright", size)]
        case "throat_shortfall":
            gauge = [reading("throat", size - value)]
        case "throat_excess":
            gauge = [reading("throat_largest", size + value)]
        case "pore_sum":
            gauge = [reading("pores", 5), *(reading("pore_diameter", value / 5, at=30 + 4 * k) for k in range(5))]
        case "pore_count":
            places = [30.0 + 4 * k for k in range(round(value))]
            gauge = [reading("pores", len(places)), *(reading("pore_diameter", 1.5, at=at) for at in places)]
        case "edge_deviation" | "straightness":
            measures = {f"left_{line.of}": q(value)}
        case "spatter_per_100mm":
            gauge = [reading("spatter", round(value))]
        case "width_variation" | "ripple_variation":
            measures = {line.of: q(value, unit="1")}
        case _:
            gauge = [reading(str(kind.gauge), value)]
    if extent is not None:
        gauge.append(reading(str(kind.extent), extent))
    return {"gauge": gauge, "measures": measures}


def judged(criteria: Criteria, name: str, **about: object) -> JudgedLine:
    said = {key: key not in ("unequal-legs", "stiffener-to-web", "pipe") for key in criteria.conditions}
    if name.endswith("-pipe"):
        said["pipe"] = True
    if name.startswith("8b-stiffener"):
        said["stiffener-to-web"] = True
    lines = judge(result(conditions=said, **about), criteria).lines  # type: ignore[arg-type]
    found = [line for line in lines if line.id == name]
    assert len(found) == 1, f"{name} does not apply: {[line.id for line in lines]}"
    return found[0]


def check_words(criteria: Criteria, name: str, about: dict[str, object]) -> None:
    """None permitted: only a stated none passes, anything stated fails; what a photo seems to show sends to look."""
    kind = QUANTITIES[line_of(criteria, name).of]
    state = kind.statement or kind.gauge
    assert judged(criteria, name, **about).outcome == "undecided"
    assert judged(criteria, name, gauge=[reading(str(state), 0)], **about).outcome == "pass"
    assert judged(criteria, name, gauge=[reading(str(state), 1)], **about).outcome == "fail"
    if kind.seen:
        seen = [indication(kind.seen[0], 40, 45, confidence=0.99)]
        assert judged(criteria, name, indications=seen, **about).outcome == "undecided"


def check_advice(criteria: Criteria, line: Line, about: dict[str, object], bound: float, step: float) -> None:
    """What should be is told as kept or not, and no line of it decides."""
    for value, told in ((bound, "; kept: "), (bound + step, "; not kept: ")):
        gauge = [reading(str(line.kind.gauge), value)]
        found = judge(result(gauge=gauge, **about), criteria)  # type: ignore[arg-type]
        assert line.id not in {one.id for one in found.lines}
        assert found.unused == ()
        assert any(text.startswith("Advice, no limit") and told in text for text in found.cautions)


def check_application(criteria: Criteria, line: Line, about: dict[str, object]) -> None:
    """Left to the application: a person's yes passes, a no fails, and what is only seen waits for one."""
    assert judged(criteria, line.id, gauge=[reading(str(line.eye), 1)], **about).outcome == "pass"
    assert judged(criteria, line.id, gauge=[reading(str(line.eye), 0)], **about).outcome == "fail"
    seen = [indication(line.kind.seen[0], 40)]
    assert judged(criteria, line.id, indications=seen, **about).outcome == "undecided"


@pytest.mark.parametrize(("name", "level", "row"), ISO, ids=lambda v: v if isinstance(v, str) else v["row"])
def test_iso_5817(name: str, level: str, row: dict[str, str]) -> None:
    criteria = load_criteria(name)
    line = line_of(criteria, row["row"])
    limit = row[level]
    about: dict[str, object] = {"joint": row["joint"], "thickness": float(row["t"])}
    size = float(row["a"] or 5)
    if row["joint"] == "fillet":
        about |= {"drawing_size_mm": size, "drawing_size_is": "throat"}
    if row["b"]:
        about |= {"width": float(row["b"])}
    if limit == "-":
        assert line.limit == "allowed"
        assert row["row"] not in {
            judged.id
            for judged in judge(result(**about), criteria).lines  # type: ignore[arg-type]
        }
        return
    if limit == "application":
        check_application(criteria, line, about)
        return
    if limit == "none" and line.kind.form != "scalar":
        check_words(criteria, line.id, about)
        return
    bound = 0.0 if limit == "none" else float(limit)
    short = level in row["short"]
    actual = []
    if row["edition"] == "2023" and row["a"]:  # the limit follows the throat gauged, not the one drawn
        actual = [reading("throat", size)]
        about |= {"drawing_size_mm": 3 * size}

    def outcome(value: float, extent: float | None = None) -> str:
        shown = evidence_of(line, value, size, extent)
        shown["gauge"] = [*shown["gauge"], *actual]  # type: ignore[misc]
        found = judged(criteria, line.id, **about, **shown)
        if found.outcome != "undecided":
            assert found.source.startswith(f"ISO 5817:{row['edition']}, ")
        return found.outcome

    worse = -1 if line.of == "toe_angle" else 1
    extent = 25.0 if short else None  # a short imperfection: 25 mm in any 100 mm
    assert outcome(bound, extent) == "pass"
    assert outcome(bound + worse * STEP["mm"], extent) == "fail"
    if bound:
        assert outcome(bound - worse * STEP["mm"], extent) == "pass"
    if short:
        assert outcome(bound, 25.0 + STEP["mm"]) == "fail"
        about["length"] = 80.0  # shorter than 100 mm: a quarter of it
        assert outcome(bound, 20.0) == "pass"
        assert outcome(bound, 20.0 + STEP["mm"]) == "fail"


@pytest.mark.parametrize(
    "row", OTHERS, ids=lambda row: f"{row['set']}-{row['row']}-{row['unit']}-{row['t']}-{row['l']}"
)
def test_other_sets(row: dict[str, str]) -> None:
    criteria = load_criteria(row["set"])
    line = line_of(criteria, row["row"])
    factor = INCH if row["unit"] == "in" else 1.0
    number = {key: float(row[key]) * factor for key in ("t", "z", "b", "l", "over", "length") if row[key]}
    about: dict[str, object] = {"joint": row["joint"], "thickness": number["t"], "unit": row["unit"]}
    size = number.get("z", 8.0)
    if row["joint"] == "fillet":
        about["drawing_size_mm"] = size
    if line.of.startswith("throat"):
        size *= 0.5**0.5  # the throat of that leg
    about |= {there: number[key] for key, there in (("b", "width"), ("l", "length")) if key in number}
    limit = row["limit"]
    if limit == "application":
        check_application(criteria, line, about)
        return
    if limit == "none" and line.kind.form != "scalar":
        check_words(criteria, line.id, about)
        return
    scale = factor if line.kind.unit == "mm" else 1.0
    bound = 0.0 if limit == "none" else float(limit) * scale
    if line.of == "spatter_per_100mm":
        about["length"] = 100.0
    step = 1.0 if line.of in ("pore_count", "spatter_per_100mm") else STEP[row["unit"]] * scale
    if line.advice:
        check_advice(criteria, line, about, bound, step)
        return

    def outcome(value: float, extent: float | None = None) -> str:
        shown = evidence_of(line, value, size, extent)
        if criteria.girth and "l" in number:  # a pipe's seam is taped, not photographed
            shown["gauge"] = [*shown["gauge"], reading("weld_length", number["l"])]  # type: ignore[misc]
        return judged(criteria, line.id, **about, **shown).outcome

    assert outcome(bound) == "pass"
    if bound:
        assert outcome(bound - step) == "pass"
    if "over" not in number:
        assert outcome(bound + step) == "fail"
        return
    over, length = number["over"], number["length"]
    assert outcome(bound + step) == "undecided"  # how long it is was not gauged
    assert outcome(over, length) == "pass"
    assert outcome(over - step, length) == "pass"
    assert outcome(over + step, length) == "fail"
    assert outcome(over, length + step) == "fail"
    assert outcome(bound, length + step) == "pass"  # no deeper than any length may be


def test_every_shipped_limit_is_in_the_tables() -> None:
    covered = {(f"iso5817-2014-{level}", row["row"]) for row in rows("iso5817.csv") for level in "bcd"}
    covered |= {(row["set"], row["row"]) for row in OTHERS}
    shared = {name: row for name, row in covered if name.startswith("aws")}
    missing = [
        f"{criteria.id}: {line.id}"
        for criteria in list_criteria()
        for line in criteria.lines
        if line.evidence != "root"
        and not (line.limit == "application" and line.eye is None)
        and not any((name, line.id) in covered for name in _kin(criteria.id))
    ]
    assert shared
    assert missing == []


def _kin(name: str) -> tuple[str, ...]:
    """Sets that print the same row from the same line of data."""
    if name.startswith("aws"):
        return ("aws-d1.1-static", "aws-d1.1-cyclic")
    if name == "iso9606-1":
        return (name, "iso5817-2014-b")
    if name.startswith("iso5817-2023"):
        return (name, name.replace("2023", "2014"), "iso5817-2014-b")
    return (name,)
