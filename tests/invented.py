"""An invented photo and its invented result, for tests of what keeps and shows results (nothing is measured here)."""

from __future__ import annotations

import hashlib
from functools import cache

import cv2
import numpy as np

from toeline.photo import Photo, read_photo
from toeline.record import Identity
from toeline.result import (
    Bead,
    BudgetRow,
    Cause,
    GaugeReading,
    Indication,
    JudgedLine,
    Judgement,
    PhotoInfo,
    Problem,
    Quantity,
    Result,
    Scale,
    Settings,
    Welding,
    unknown,
)

PX_PER_MM = 8.0
ORIGIN_PX = np.array([60.0, 330.0])  # the plate frame's origin in the photo
IDENTITY = Identity(
    job="Evening class 12",
    part="Plate 3",
    weld="W-07",
    welder="Ada Brandt",
    procedure="WPS-EC-01",
    position="PA",
    inspector="Noor Holm",
    date="2026-03-14",
)


def to_px(mm: np.ndarray) -> np.ndarray:
    """Plate mm (N, 2) to photo px."""
    return np.asarray(mm, float) * PX_PER_MM + ORIGIN_PX


def toes() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Stations and both toes in plate mm, the bead running along +x above the card."""
    s = np.arange(0.0, 80.01, 0.5)
    half = 4.2 * np.sqrt(np.clip(np.minimum(s + 0.1, 80.2 - s) / 5.0, 0, 1)) + 0.15 * np.sin(s)
    seam = np.stack([4.0 + s, np.full_like(s, -20.0)], axis=1)
    return s, seam - np.stack([0 * s, half], 1), seam + np.stack([0 * s, half * 0.98], 1)


@cache
def photo_bytes(seed: int = 0) -> bytes:
    """A small JPEG: steel-grey plate, a rippled bead, a white card below it."""
    rng = np.random.default_rng(seed)
    image = rng.normal(120, 9, (720, 800)).astype(np.float32)
    _, left, right = toes()
    outline = to_px(np.concatenate([left, right[::-1]])).astype(np.int32)
    face = np.zeros(image.shape, np.uint8)
    cv2.fillPoly(face, [outline], 255)
    x = np.arange(image.shape[1]) / PX_PER_MM
    image = np.where(face > 0, 150 + 40 * np.sin(2 * np.pi * x / 1.6)[None, :] + rng.normal(0, 6, image.shape), image)
    cv2.rectangle(image, (60, 330), (745, 700), 235.0, -1)
    encoded = cv2.imencode(".jpg", np.clip(image, 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 80])[1]
    return encoded.tobytes()


def photo(seed: int = 0) -> Photo:
    """The invented photo, read."""
    return read_photo(photo_bytes(seed), "ada_brandt_3.jpg")


def mm(value: float, U: float, n: int | None = None) -> Quantity:
    """A length with a two-row budget."""
    rows = (
        BudgetRow(label="print scale", distribution="rectangular", u=round(0.3 * U, 4)),
        BudgetRow(label="toe", distribution="normal", u=round(0.4 * U, 4)),
    )
    return Quantity(value=value, U=U, n=n, budget=rows)


def result(seed: int = 0, outcome: str = "undecided", width: float = 8.4) -> Result:
    """A full result of the invented photo."""
    s, left, right = toes()
    data = photo_bytes(seed)
    lines = (
        JudgedLine(
            id="5011",
            imperfection="Continuous undercut",
            iso6520="5011",
            limit="h ≤ 0.05 t, at most 0.5 mm",
            limit_value=0.3,
            measured=unknown("a photo does not show depth"),
            outcome="undecided" if outcome != "fail" else "fail",
            evidence="photo and gauge",
            why="Undercut is seen along the left toe; its depth is not in one photo.",
            source="ISO 5817:2014, table 1, 1.7",
            at=31.0,
            gauge="undercut_depth",
        ),
        JudgedLine(
            id="2017",
            imperfection="Surface pore",
            iso6520="2017",
            limit="none allowed",
            limit_value=0.0,
            measured=Quantity(value=0.0, U=0.0, unit="1"),
            outcome="pass",
            evidence="photo",
            why="No pore of 0.3 mm or more is seen.",
            source="ISO 5817:2014, table 1, 1.3",
            p_conform=0.99,
        ),
    )
    measures = {
        "length": mm(80.0, 0.8),
        "width_mean": mm(width, 0.16, 128),
        "width_min": mm(width - 0.4, 0.25),
        "width_max": mm(width + 0.5, 0.25),
        "width_sd": mm(0.21, 0.05),
        "left_edge_deviation": mm(0.11, 0.04),
        "right_edge_deviation": mm(0.10, 0.04),
        "ripple_pitch": mm(1.6, 0.05, 41),
        "ripple_variation": Quantity(value=0.08, U=0.03, unit="1", n=41),
        "undercut_length_left": mm(12.0, 1.0),
        "undercut_length_right": mm(0.0, 1.0),
        "undercut_length_total": mm(12.0, 1.4),
        "spatter_count": Quantity(value=2, U=0, unit="1"),
        "ripple_sharpness": unknown("the crests are too flat to tell", "1"),
    }
    indications = (
        Indication(
            kind="undercut",
            iso6520="5011",
            side="left",
            **{"from": 25.0, "to": 37.0},
            size=mm(0.6, 0.2),
            at=(35.0, -24.2),
            at_px=tuple(to_px(np.array([35.0, -24.2]))),
            confidence=0.9,
            why="dark groove along the toe",
        ),
        Indication(
            kind="spatter",
            iso6520="602",
            size=mm(1.1, 0.2),
            at=(50.0, -10.0),
            at_px=tuple(to_px(np.array([50.0, -10.0]))),
            confidence=0.8,
        ),
        Indication(
            kind="spatter",
            iso6520="602",
            size=mm(0.9, 0.2),
            at=(20.0, -33.0),
            at_px=tuple(to_px(np.array([20.0, -33.0]))),
            confidence=0.7,
        ),
    )
    points = lambda p: tuple((float(a), float(b)) for a, b in np.round(p, 3))  # noqa: E731
    return Result(
        photo=PhotoInfo(
            name="ada_brandt_3.jpg",
            sha256=hashlib.sha256(data).hexdigest(),
            width_px=800,
            height_px=720,
            taken_at="2026-03-14T19:02:11+01:00",
            camera="Invented phone",
            usable=True,
            problems=(Problem(code="card_far", severity="note", text="The bead lies 16 mm from the card."),),
        ),
        scale=Scale(
            state="card",
            cards=("A",),
            print_scale=Quantity(value=0.998, U=0.002, unit="1"),
            px_per_mm=Quantity(value=8.0, U=0.02, unit="px/mm"),
            tilt=Quantity(value=3.1, U=0.6, unit="deg"),
        ),
        bead=Bead(
            found=True,
            confidence=0.95,
            joint="butt",
            start=(4.0, -20.0),
            end=(84.0, -20.0),
            start_px=tuple(to_px(np.array([4.0, -20.0]))),
            end_px=tuple(to_px(np.array([84.0, -20.0]))),
            travel="known",
            travel_evidence="41 of 44 crescents point back to the start",
            s=tuple(float(v) for v in s),
            left_toe=points(left),
            right_toe=points(right),
            left_toe_px=points(to_px(left)),
            right_toe_px=points(to_px(right)),
            toe_confidence=tuple(0.9 for _ in s),
        ),
        measures=measures,
        indications=indications,
        judgement=Judgement(
            criteria="iso5817-2014-c",
            title="ISO 5817 level C",
            edition="2014",
            digest="ab" * 32,
            rule="guarded",
            outcome=outcome,
            lines=lines,
            needs=("Gauge the undercut's depth at 31 mm from the start, left toe.",),
            cautions=("Cracks narrower than 0.1 mm cannot be seen in this photo.",),
        ),
        causes=(
            Cause(
                cause="arc_too_long",
                likelihood=0.62,
                evidence=("undercut along the left toe", "2 spatter balls"),
                against=("width is even",),
                **{"try": ("Shorten the arc to about the core diameter, 3.2 mm.",)},
                told_apart_by="Read the current while welding.",
            ),
        ),
        settings=Settings(
            joint="butt",
            thickness_mm=6.0,
            check_line_mm=49.9,
            criteria="iso5817-2014-c",
            gauge=(GaugeReading(name="excess_weld_metal", value=1.4, at=40.0, U=0.2),),
            welding=Welding(electrode_class="E7018", electrode_mm=3.2, current_a=115, polarity="DC+"),
        ),
        timing_ms={"total": 1234.0},
        versions={"toeline": "0.1.0", "opencv": "5.0.0", "python": "3.11"},
        cautions=("A photo shows nothing below the surface.",),
    )
