"""The sketch of a fillet's cross-section is to scale and says what it shows."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from math import cos, hypot, radians, sin

import pytest

from toeline.report.fillet_sketch import draw_cross_section
from toeline.result import Bead, PhotoInfo, Quantity, Result, Scale, Settings, unknown

SVG = "{http://www.w3.org/2000/svg}"


def result(base: Quantity, upright: Quantity, angle: Quantity | None = None, **settings: object) -> Result:
    measures = {"leg_base": base, "leg_upright": upright, "throat": Quantity(value=4.2, U=0.1)}
    return Result(
        photo=PhotoInfo(name="t.jpg", sha256="0", width_px=1, height_px=1, usable=True),
        scale=Scale(state="card"),
        bead=Bead(found=True, joint="fillet"),
        measures=measures | ({"joint_angle": angle} if angle else {}),
        settings=Settings(joint="fillet", **settings),
    )


def triangle(svg: ET.Element, kind: str) -> list[tuple[float, float]]:
    (path,) = [p for p in svg.iter(f"{SVG}path") if p.get("class") == kind]
    return [tuple(map(float, dot.split())) for dot in path.get("d", "").strip("M Z").split(" L")]


@pytest.mark.parametrize(("base", "upright", "angle"), [(6.0, 6.0, 90.0), (5.0, 9.0, 64.0), (8.0, 4.0, 118.0)])
def test_the_triangle_is_to_scale(base: float, upright: float, angle: float) -> None:
    drawn = draw_cross_section(
        result(*(Quantity(value=v, U=0.2) for v in (base, upright)), Quantity(value=angle, U=0.3, unit="deg"))
    )
    root, toe, top = triangle(ET.fromstring(drawn), "weld")
    px = hypot(toe[0] - root[0], toe[1] - root[1]) / base
    assert toe[1] == root[1]
    assert top[0] - root[0] == pytest.approx(px * upright * cos(radians(angle)), abs=0.2)
    assert root[1] - top[1] == pytest.approx(px * upright * sin(radians(angle)), abs=0.2)
    x, y, w, h = map(float, ET.fromstring(drawn).get("viewBox").split())
    for kind in ("weld",):
        assert all(x <= a <= x + w and y <= b <= y + h for a, b in triangle(ET.fromstring(drawn), kind))


def test_it_says_its_figures_and_the_drawings_size() -> None:
    legs = Quantity(value=6.12, U=0.21), Quantity(value=7.4, U=0.2)
    svg = ET.fromstring(draw_cross_section(result(*legs, drawing_size_mm=8.0)))
    words = " ".join(t.text or "" for t in svg.iter(f"{SVG}text"))
    assert "6.12 ± 0.21 mm" in words
    assert "90° as said" in words
    assert "drawing's leg 8 mm" in words
    assert "6.12 ± 0.21 mm" in svg.get("aria-label")
    assert len(triangle(svg, "size")) == 3
    inches = draw_cross_section(result(*legs, drawing_size_mm=25.4), "in")
    assert "drawing's leg 1 in" in " ".join(t.text or "" for t in ET.fromstring(inches).iter(f"{SVG}text"))


def test_a_throat_on_the_drawing_is_said_and_no_legs_are_dashed() -> None:
    legs = Quantity(value=6.12, U=0.21), Quantity(value=7.4, U=0.2)
    svg = ET.fromstring(draw_cross_section(result(*legs, drawing_size_mm=4.0, drawing_size_is="throat")))
    assert any(t.text == "the drawing's throat 4 mm" for t in svg.iter(f"{SVG}text"))
    assert not any(p.get("class") == "size" for p in svg.iter(f"{SVG}path"))


def test_without_a_leg_there_is_no_sketch() -> None:
    leg = Quantity(value=6.0, U=0.2)
    assert draw_cross_section(result(leg, unknown("only card A was found"))) is None
    assert draw_cross_section(result(unknown("no card"), leg)) is None


@pytest.mark.parametrize("angle", [35.0, 60.0, 90.0, 120.0, 145.0])
def test_the_whole_sketch_is_in_the_picture_whatever_the_angle(angle: float) -> None:
    drawn = draw_cross_section(
        result(Quantity(value=6.84, U=0.23), Quantity(value=9.1, U=0.3), Quantity(value=angle, U=0.2, unit="deg"))
    )
    svg = ET.fromstring(drawn)
    x, y, w, h = map(float, svg.get("viewBox").split())
    for path in svg.iter(f"{SVG}path"):
        if " A" in path.get("d", ""):
            continue
        for dot in path.get("d", "").strip("M Z").split(" L"):
            a, b = map(float, dot.split())
            assert x <= a <= x + w
            assert y <= b <= y + h
    for text in svg.iter(f"{SVG}text"):
        left = float(text.get("x")) - (0 if text.get("text-anchor") is None else 6)
        assert x <= left
        assert left + 6.2 * len(text.text) <= x + w  # a letter of 13 px sans is 6.2 px wide on average
