"""Whoever works in inches reads no length in millimetres, but where a standard's limit stands as it is printed."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path

import pytest

from toeline.photo import read_photo
from toeline.pipeline import measure
from toeline.report import html_report
from toeline.units import in_unit, rod

DEMO = Path(__file__).parents[1] / "demo_images"
#: A limit as its standard prints it, with or without its inches behind it; the name of the card's own line.
PRINTED = re.compile(r"(?:[≤≥] |min\(|max\()[^;|]*? mm\b(?: = [\d.]+ in)?|50 mm line|\w+ mm only")


@pytest.mark.parametrize(
    ("text", "inches"),
    [
        ("circle back 10 to 15 mm over the bead", "circle back 0.39 to 0.59 in over the bead"),
        ("Undercut, over 3 mm", "Undercut, over 0.118 in"),
        ("Undercut, plate under 25 mm (1 in)", "Undercut, plate under 1 in"),
        ("Convexity, face 8 to 25 mm (5/16 to 1 in) wide", "Convexity, face 5/16 to 1 in wide"),
        ("only 4 pixels per mm.", "only 102 pixels per inch."),
        ("h ≤ 0.5 mm = 0.02 in", "h ≤ 0.5 mm = 0.02 in"),
        ("25 mm in any 100 mm", "0.98 in in any 3.94 in"),
        ("7 mm²", "7 mm²"),
    ],
)
def test_lengths_of_a_text_are_turned_into_inches(text, inches):
    assert in_unit(text, "in") == inches
    assert in_unit(text, "mm") == text


def test_rods_go_by_the_fractions_that_their_boxes_name():
    assert [rod(mm, "in") for mm in (2.5, 3.2, 4.0)] == ["3/32 in", "1/8 in", "5/32 in"]
    assert rod(3.2) == "3.2 mm"


def texts(one: object, name: str = "") -> list[str]:
    """Every text that a page shows of a result."""
    if isinstance(one, str):
        return [] if name in ("unit", "source", "id", "of") else [one]
    if isinstance(one, dict):
        return [text for key, value in one.items() for text in texts(value, str(key))]
    return [text for value in one for text in texts(value, name)] if isinstance(one, list | tuple) else []


@pytest.mark.parametrize(
    ("photo", "said"),
    [
        ("arc_too_long", {"criteria": "workmanship"}),
        ("poor_restart", {"criteria": "iso5817-2014-c", "thickness": 0.3}),
        ("fillet_unequal_legs", {"criteria": "aws-d1.1-static", "joint": "fillet", "size": 0.25, "thickness": 0.3}),
    ],
)
def test_advice_lines_problems_and_the_report_are_in_inches(photo, said):
    path = DEMO / f"{photo}.jpg"
    result = measure(path, unit="in", check_line=1.96, electrode="1/8", electrode_class="E7018", current=95, **said)
    shown = result.model_dump(include={"photo", "judgement", "causes", "causes_why", "coaching", "cautions"})
    page = re.sub(
        r"<(style|script|svg)\b.*?</\1>", "|", html_report(result, read_photo(path), unit="in"), flags=re.DOTALL
    )
    page = unescape(re.sub(r"<[^>]+>", "|", page)).replace("\xa0", " ")
    said_there = [*texts(shown), *page.split("|")]
    left = {PRINTED.sub("", text) for text in said_there}
    assert sorted(text.strip() for text in left if re.search(r"\d\s*mm\b|\bper mm\b", text)) == []
