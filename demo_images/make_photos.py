"""Make the demo photos of Thimble Yard, an evening class that never existed, and the truth beside each of them.

    python demo_images/make_photos.py [NAME ...] [--out DIR]

Needs the ``train`` extra (torch, CPU is enough): one to three minutes and some 3 GB a photo. The same photos each
time on the same release of torch. What each shows is in README.md beside this script.
"""

from __future__ import annotations

import argparse
import io
import json
import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
import torch.nn.functional as F
from numpy.typing import NDArray
from PIL import Image
from torch import Tensor

sys.path.insert(0, str(Path(__file__).resolve().parent))
from workshop.bead_shape import BeadPlan, Weld, lay, lay_beside
from workshop.clutter import mark, strew
from workshop.lens import F64, CardLie, Lens, aim_phone, lie_of
from workshop.light import Lights, among, any_lights, shade, shading_maps, tinted
from workshop.looks import FACES, Look, any_look
from workshop.noise import Dice
from workshop.phone import develop
from workshop.scene import bench, card_picture, cover_with_slag, decoy, place_card
from workshop.surface import Surface, dress
from workshop.surroundings import Surroundings
from workshop.truth import Laid, bead_truth, camera_truth, card_truth, relief_truth

STEP = 0.1
#: The relief is laid this far beside the bead's ends and its middle, mm.
BESIDE_ENDS, BESIDE = 25.0, 45.0
MOST_BYTES = 740_000
MOST_BYTES_OF_ROUND = 420_000

#: A tidy stringer; each shot changes what is different.
STRINGER: dict[str, float] = {
    "width": 9.0,
    "height": 1.5,
    "pitch": 1.85,
    "pitch_jitter": 0.06,
    "ripple_amp": 0.09,
    "crescent": 0.68,
    "vee": 0.3,
    "skew": 0.02,
    "profile": 2.6,
    "asym": 0.04,
    "width_var": 0.02,
    "toe_rms": 0.15,
    "toe_corr": 9.0,
    "wave": 0.12,
    "scallop": 0.05,
    "fillet": 0.0,
    "undercut": 0.0,
    "overlap": 0.0,
    "unfilled": 0.0,
    "crack": 0.0,
    "restart": 0.0,
    "spatter": 6.0,
    "pores": 0.0,
    "slag": 0.0,
    "strikes": 0.0,
    "roll": 9.0,
    "run_in": 0.0,
    "still": 0.0,
    "shift": 0.0,
}


@dataclass(frozen=True, slots=True)
class Lamp:
    """The main light: elevation and azimuth in degrees, how small it is, how strong, how warm."""

    elevation: float
    azimuth: float
    sharpness: float = 40.0
    power: float = 1.2
    warmth: float = 0.0
    dome: float = 0.25


@dataclass(frozen=True, slots=True)
class Shot:
    """One photo: what was welded, how the card lies, where the phone is. mm and degrees; roll turns the picture.

    ``size`` is the picture's long and short side, px; ``aim_off`` moves what the phone is aimed at along s and t.
    """

    name: str
    kind: str
    cause: str | None
    length: float
    bead: dict[str, float]
    seed: int
    steel: int
    look: int
    lamp: Lamp
    taken: str
    tilt: float
    towards: float
    roll: float
    aim_off: tuple[float, float] = (0.0, 0.0)
    px_per_mm: float = 8.8
    size: tuple[int, int] = (2400, 1800)
    portrait: bool = False
    focal_35mm: float = 26.0
    focal_error: float = 0.004
    centre_off: tuple[float, float] = (6.0, -4.0)
    k1: float = -0.012
    card_side: float = 1.0
    card_gap: float = 9.0
    card_along: float = 0.0
    card_angle: float = 0.0
    print_scale: float = 1.0
    check_line: float = 50.0
    thickness: float = 0.15
    card_b: tuple[float, float, float] = (0.0, 9.0, 0.0)
    margins: tuple[float, float, float, float] = (30.0, 35.0, 25.0, 30.0)
    lean: float = 0.02
    drop: float = 8.0
    blur: float = 0.55
    defocus: int = 0
    bright_to: float = 0.75
    bead_shine: float = 0.34
    plate_shine: float = 0.3
    bead_albedo: float | None = None
    butt: bool = False
    under_slag: bool = False
    #: Seed of a look as wild as real ones are; None: a tidy bead on a tidy plate.
    wild: int | None = None
    #: A second bead beside the first; or none at all, but scratches, writing, a rod, a rope or a hand.
    beside: bool = False
    no_bead: bool = False
    usable: bool = True
    why_not: str | None = None
    nth: int = 0  #: of several photos in the same light: each has its own noise


SHOTS = (
    Shot(
        name="good_stringer",
        kind="stringer",
        cause="good",
        length=112.0,
        bead={},
        seed=101,
        steel=7,
        look=3,
        lamp=Lamp(48, 70),
        taken="2025:10:06 19:12:40",
        tilt=7,
        towards=200,
        roll=8,
        card_side=-1,
        card_angle=4,
        card_along=-6,
        print_scale=0.994,
        check_line=49.7,
    ),
    Shot(
        name="arc_too_long",
        kind="stringer",
        cause="arc_too_long",
        length=105.0,
        bead={
            "width": 9.2,
            "height": 0.95,
            "pitch": 1.3,
            "pitch_jitter": 0.22,
            "ripple_amp": 0.13,
            "crescent": 0.58,
            "width_var": 0.06,
            "toe_rms": 0.5,
            "toe_corr": 7,
            "undercut": 1,
            "spatter": 95,
            "profile": 2.7,
        },
        seed=202,
        steel=12,
        look=5,
        lamp=Lamp(35, 160, 60, 1.3, -0.05),
        taken="2025:10:06 19:25:03",
        tilt=14,
        towards=80,
        roll=-9,
        card_side=1,
        card_angle=183,
        card_along=5,
        print_scale=1.003,
        check_line=50.15,
        focal_35mm=24.0,
        k1=-0.018,
        centre_off=(-9, 5),
    ),
    Shot(
        name="current_too_low",
        kind="stringer",
        cause="current_too_low",
        length=88.0,
        bead={
            "width": 6.4,
            "height": 3.0,
            "pitch": 1.75,
            "pitch_jitter": 0.28,
            "ripple_amp": 0.17,
            "crescent": 0.55,
            "profile": 1.95,
            "width_var": 0.09,
            "toe_rms": 0.3,
            "toe_corr": 12,
            "wave": 0.28,
            "overlap": 1,
            "spatter": 8,
            "slag": 2,
        },
        seed=303,
        steel=21,
        look=9,
        lamp=Lamp(55, 300, 25, 1.1, 0.08),
        taken="2025:10:13 18:58:31",
        tilt=11,
        towards=310,
        roll=86,
        card_side=1,
        card_angle=95,
        card_along=2,
        print_scale=0.989,
        check_line=49.45,
        focal_35mm=28.0,
        k1=0.008,
        centre_off=(4, 8),
    ),
    Shot(
        name="unfilled_crater",
        plate_shine=0.1,
        kind="stringer",
        cause="unfilled_crater",
        length=98.0,
        bead={
            "width": 10.0,
            "height": 2.1,
            "ripple_amp": 0.11,
            "crescent": 0.62,
            "unfilled": 1,
            "crack": 1,
            "spatter": 14,
            "strikes": 1,
            "pitch": 1.9,
            "pitch_jitter": 0.1,
        },
        seed=404,
        steel=33,
        look=14,
        lamp=Lamp(42, 20, 30, 1.2, 0.04),
        taken="2025:10:13 19:20:15",
        tilt=18,
        towards=130,
        roll=171,
        card_side=-1,
        card_angle=176,
        card_along=-8,
        print_scale=0.998,
        check_line=49.9,
    ),
    Shot(
        name="poor_restart",
        kind="stringer",
        cause="poor_restart",
        length=125.0,
        bead={
            "width": 7.6,
            "height": 1.6,
            "ripple_amp": 0.11,
            "pitch": 1.7,
            "pitch_jitter": 0.12,
            "restart": 1,
            "spatter": 16,
            "scallop": 0.1,
            "wave": 0.3,
        },
        seed=505,
        steel=41,
        look=22,
        lamp=Lamp(30, 110, 80, 1.3, -0.04),
        taken="2025:10:20 19:02:52",
        tilt=5,
        towards=20,
        roll=-4,
        card_side=1,
        card_angle=-5,
        card_along=12,
        print_scale=1.0,
        check_line=50.0,
        px_per_mm=8.4,
        centre_off=(-5, -7),
        k1=-0.009,
    ),
    Shot(
        name="travel_too_fast",
        kind="stringer",
        cause="travel_too_fast",
        length=95.0,
        bead={
            "width": 6.6,
            "height": 1.8,
            "pitch": 3.0,
            "pitch_jitter": 0.1,
            "ripple_amp": 0.08,
            "crescent": 1.6,
            "vee": 0.85,
            "profile": 2.2,
            "undercut": 1,
            "spatter": 18,
            "wave": 0.25,
        },
        seed=606,
        steel=52,
        look=31,
        lamp=Lamp(38, 250, 35, 1.2, 0.1),
        taken="2025:10:20 19:17:09",
        tilt=21,
        towards=265,
        roll=12,
        card_side=1,
        card_angle=2,
        card_along=-4,
        print_scale=0.981,
        check_line=49.05,
        focal_35mm=24.0,
        k1=-0.02,
    ),
    Shot(
        name="good_weave",
        bead_albedo=0.03,
        plate_shine=0.14,
        kind="weave",
        cause="good",
        length=92.0,
        bead={
            "width": 13.5,
            "height": 1.7,
            "pitch": 2.0,
            "pitch_jitter": 0.05,
            "ripple_amp": 0.08,
            "crescent": 0.33,
            "vee": 0.03,
            "scallop": 0.24,
            "spatter": 3,
            "wave": 0.17,
            "toe_corr": 12,
        },
        seed=707,
        steel=63,
        look=44,
        lamp=Lamp(50, 40, 20, 1.1),
        taken="2025:10:27 18:49:44",
        tilt=9,
        towards=160,
        roll=92,
        portrait=True,
        card_side=-1,
        card_angle=-88,
        card_along=3,
        print_scale=1.002,
        check_line=50.1,
    ),
    Shot(
        name="good_cap",
        kind="cap",
        cause="good",
        length=84.0,
        bead={
            "width": 12.0,
            "height": 1.4,
            "pitch": 2.6,
            "pitch_jitter": 0.06,
            "ripple_amp": 0.11,
            "crescent": 0.45,
            "vee": 0.2,
            "scallop": 0.2,
            "profile": 3.2,
            "spatter": 2,
            "toe_corr": 12,
        },
        seed=808,
        steel=74,
        look=52,
        lamp=Lamp(45, 190, 45, 1.2, -0.06),
        taken="2025:10:27 19:31:18",
        tilt=24,
        towards=95,
        roll=-13,
        card_side=1,
        card_angle=187,
        card_along=-3,
        print_scale=0.996,
        check_line=49.8,
        butt=True,
        focal_35mm=28.0,
    ),
    Shot(
        name="blurred",
        kind="stringer",
        cause=None,
        length=100.0,
        bead={"spatter": 12},
        seed=909,
        steel=85,
        look=61,
        lamp=Lamp(50, 340, 30, 1.0),
        taken="2025:11:03 19:05:27",
        tilt=12,
        towards=45,
        roll=6,
        card_side=1,
        card_angle=-3,
        print_scale=1.0,
        check_line=50.0,
        defocus=10,
        usable=False,
        why_not="out of focus: the toes cannot be placed",
    ),
    Shot(
        name="under_slag",
        kind="stringer",
        cause=None,
        length=104.0,
        bead={"spatter": 10, "height": 1.9},
        seed=111,
        steel=96,
        look=73,
        lamp=Lamp(40, 120, 35, 1.2),
        taken="2025:11:03 19:09:50",
        tilt=6,
        towards=300,
        roll=-7,
        card_side=-1,
        card_angle=3,
        print_scale=1.0,
        check_line=50.0,
        under_slag=True,
        usable=False,
        why_not="the bead still lies under its slag",
    ),
    Shot(
        name="good_fillet",
        bead_albedo=0.03,
        bead_shine=0.12,
        kind="fillet",
        cause="good",
        length=96.0,
        bead={
            "fillet": 1,
            "width": 10.4,
            "height": 0.5,
            "pitch": 1.95,
            "ripple_amp": 0.11,
            "crescent": 0.6,
            "spatter": 4,
            "wave": 0.15,
            "shift": 1.12,
        },
        seed=1212,
        steel=107,
        look=82,
        lamp=Lamp(62, 80, 30, 1.1),
        taken="2025:11:10 19:14:06",
        tilt=8,
        towards=100,
        roll=5,
        card_side=-1,
        card_gap=8,
        card_angle=3,
        card_along=4,
        card_b=(-5.0, 9.0, -2.0),
        print_scale=0.992,
        check_line=49.6,
        thickness=0.2,
        px_per_mm=8.6,
    ),
    Shot(
        name="fillet_unequal_legs",
        bead_shine=0.14,
        kind="fillet",
        cause="wrong_work_angle",
        length=90.0,
        bead={
            "fillet": 1,
            "width": 8.6,
            "height": 0.25,
            "pitch": 1.8,
            "pitch_jitter": 0.11,
            "ripple_amp": 0.09,
            "crescent": 0.66,
            "asym": 0.3,
            "undercut": 1,
            "spatter": 16,
            "shift": 0.9,
        },
        seed=1313,
        steel=118,
        look=91,
        lamp=Lamp(66, 250, 40, 1.2, 0.05),
        taken="2025:11:10 19:40:33",
        tilt=13,
        towards=260,
        roll=87,
        portrait=True,
        card_side=1,
        card_gap=9,
        card_angle=-2,
        card_along=-3,
        card_b=(3.0, 8.0, 4.0),
        print_scale=1.004,
        check_line=50.2,
        thickness=0.2,
        px_per_mm=8.6,
        centre_off=(-6, 7),
    ),
)


def _from_all_sides(shot: Shot, leans: Sequence[tuple[float, float, float, float]]) -> tuple[Shot, ...]:
    """One shot from several stands: how far the phone leans, which way, how it is turned, pixels a mm."""
    return tuple(
        replace(shot, name=f"{shot.name}_v{nth}", nth=nth, tilt=tilt, towards=way, roll=roll, px_per_mm=px_per_mm)
        for nth, (tilt, way, roll, px_per_mm) in enumerate(leans)
    )


#: Several photos of one bead: square on, leaning to both sides, leaning along it.
ROUNDS: dict[str, tuple[Shot, ...]] = {
    "round_stringer": _from_all_sides(
        Shot(
            name="round_stringer",
            kind="stringer",
            cause="current_too_high",
            length=58.0,
            bead={"width": 8.6, "height": 1.7, "undercut": 1, "spatter": 5, "unfilled": 1, "ripple_amp": 0.1},
            seed=1414,
            steel=129,
            look=103,
            lamp=Lamp(55, 120, 25, 1.1),
            taken="2025:11:17 19:21:30",
            tilt=0,
            towards=0,
            roll=0,
            size=(1440, 1080),
            card_side=-1,
            card_gap=7,
            card_angle=3,
            print_scale=0.997,
            check_line=49.85,
            bead_shine=0.18,
            plate_shine=0.14,
        ),
        ((3, 30, 4, 9.4), (24, 92, -3, 9.2), (25, 268, 7, 9.2), (23, 4, 2, 9.2), (26, 178, -5, 9.2)),
    )
}


def plan_of(shot: Shot, device: str) -> BeadPlan:
    """The shot's bead, its middle at s = 0."""
    values = {**STRINGER, **shot.bead, "start": -shot.length / 2, "end": shot.length / 2}
    return BeadPlan(**{f.name: torch.full((1, 1, 1), float(values[f.name]), device=device) for f in fields(BeadPlan)})


def card_lies(shot: Shot) -> list[CardLie]:
    """Card A, and on a fillet card B on the other plate."""
    half = {**STRINGER, **shot.bead}["width"] / 2 * (math.sqrt(2) if shot.kind == "fillet" else 1.0)

    def lie(side: float, along: float, gap: float, angle: float, first: int) -> CardLie:
        a = math.radians(angle)
        reach = (27 * abs(math.cos(a)) + 42.8 * abs(math.sin(a))) * shot.print_scale
        where = (along, side * (half + gap + reach))
        fold = side if shot.kind == "fillet" else 0.0
        return lie_of(where, angle, shot.print_scale, shot.thickness, first, fold)

    lies = [lie(shot.card_side, shot.card_along, shot.card_gap, shot.card_angle, 0)]
    if shot.kind == "fillet":
        lies.append(lie(-shot.card_side, shot.card_b[0], shot.card_b[1], shot.card_b[2], 4))
    return lies


def outlines(shot: Shot, lies: list[CardLie]) -> F64:
    """World corners (N, 3) of the bead and of every card, mm."""
    half = np.array([-1.0, 1.0])
    # the bead wanders and rolls out by up to 2.5 mm
    width = {**STRINGER, **shot.bead}["width"]
    s, t = np.meshgrid(half * shot.length / 2, half * (width / 2 + 2.5))
    bead = np.stack([s.ravel(), t.ravel(), np.abs(t.ravel()) if shot.kind == "fillet" else 0 * t.ravel()], -1)
    corners = shot.print_scale * np.array([[0, 0, 0], [85.6, 0, 0], [85.6, 53.98, 0], [0, 53.98, 0]])
    return np.vstack([bead, *(lie.world(corners) for lie in lies)])


def phone_over(shot: Shot, lies: list[CardLie]) -> Lens:
    """The phone, aimed between bead and card."""
    size = shot.size[::-1] if shot.portrait else shot.size
    middle = lies[0].world(np.array([[42.8 * shot.print_scale, 27 * shot.print_scale, 0.0]]))[0]
    share = 0.0 if shot.kind == "fillet" else 0.55
    aim = (
        share * float(middle[0]) + shot.aim_off[0],
        share * float(middle[1]) + shot.aim_off[1],
        14.0 if shot.kind == "fillet" else 0.0,
    )
    return aim_phone(
        size,
        shot.focal_35mm,
        shot.focal_error,
        shot.px_per_mm,
        aim,
        shot.tilt,
        shot.towards,
        shot.roll,
        shot.centre_off,
        shot.k1,
    )


def ground(lenses: list[Lens], drop: float, device: str, within: F64 | None = None) -> tuple[Tensor, Tensor]:
    """The relief's columns and rows (mm), wide enough for all that the lenses see down to the bench, or no wider than
    what lies ``within`` these world points (N, 3)."""
    seen = [] if within is None else [within]
    for lens in lenses if within is None else ():
        rows = torch.cat([lens.targets(0, 1), lens.targets(lens.height - 1, lens.height)], 1)[0].reshape(-1, 3).numpy()
        seen += [rows, rows + (rows - lens.eye) * (drop / lens.eye[2])]
    rows = np.vstack(seen)
    low, high = rows[:, :2].min(axis=0) - 2.0, rows[:, :2].max(axis=0) + 2.0
    s = torch.arange(math.floor(low[0] / STEP), math.ceil(high[0] / STEP), device=device) * STEP
    t = torch.arange(math.ceil(high[1] / STEP), math.floor(low[1] / STEP), -1, device=device) * STEP
    return s, t


def spread(weld: Weld, s: Tensor, t: Tensor, strip_s: Tensor, strip_t: Tensor, fillet: bool) -> Weld:
    """The strip's weld on the whole ground: plain plate all round it."""
    left = round(float(strip_s[0] - s[0]) / STEP)
    top = round(float(t[0] - strip_t[0]) / STEP)
    pads = (left, len(s) - left - len(strip_s), top, len(t) - top - len(strip_t))

    def wide(field_: Tensor) -> Tensor:
        return F.pad(field_, pads)

    def long(curve: Tensor, mode: str) -> Tensor:
        return F.pad(curve, pads[:2], mode=mode)

    relief = weld.height - strip_t.abs()[:, None] if fillet else weld.height
    height = wide(relief)
    if fillet:
        height = height + t.abs()[:, None]
    return Weld(
        height=height,
        face=wide(weld.face),
        left=long(weld.left, "replicate"),
        right=long(weld.right, "replicate"),
        inside=long(weld.inside, "constant"),
        maps={"arc_strike": wide(weld.maps["arc_strike"])},
        slag=wide(weld.slag),
        crack=wide(weld.crack),
        pore=wide(weld.pore),
        spatter=wide(weld.spatter),
    )


def polish(surface: Surface, weld: Weld, shot: Shot) -> None:
    """Bring the means of bead and plate to what the shot asks for; their texture stays."""
    bead = weld.face
    if shot.bead_albedo is not None:
        now = float((surface.albedo.mean(1, keepdim=True) * bead).sum() / bead.sum())
        surface.albedo = (surface.albedo * (1 + bead * (shot.bead_albedo / now - 1))).clamp(0.004, 0.95)
    for part, shine in ((bead, shot.bead_shine), (1 - bead, shot.plate_shine)):
        now = float((surface.mirror.mean(1, keepdim=True) * part).sum() / part.sum())
        surface.mirror = (surface.mirror * (1 + part * (shine / now - 1))).clamp(0.01, 0.95)


def plate_mask(shot: Shot, lies: list[CardLie], s: Tensor, t: Tensor) -> Tensor:
    """1 on the plate (1, 1, h, w): it reaches the shot's margins beyond bead and card (before, after, left, right)."""
    corners = np.array([[0, 0, 0], [85.6, 0, 0], [85.6, 54, 0], [0, 54, 0]], float)
    marks = np.vstack([lie.world(corners) for lie in lies])
    reach = np.vstack([marks[:, :2], [[-shot.length / 2, 0], [shot.length / 2, 0]]])
    low, high = reach.min(axis=0), reach.max(axis=0)
    before, after, left, right = shot.margins
    c, d = math.cos(shot.lean), math.sin(shot.lean)
    x = c * s[None, :] + d * t[:, None]
    y = -d * s[None, :] + c * t[:, None]
    on = (x > low[0] - before) & (x < high[0] + after) & (y < high[1] + left) & (y > low[1] - right)
    return on.float()[None, None]


def lay_card(dice: Dice, surface: Surface, shot: Shot, lie: CardLie, which: str) -> Tensor:
    """Lay one card as :func:`lie_of` says; its mask."""
    fold = shot.kind == "fillet"
    device = dice.device
    drawn = torch.from_numpy(card_picture(80, which)).to(device).float() / 255
    down, across = -drawn.shape[0] % 8, -drawn.shape[1] % 8
    drawn = F.avg_pool2d(F.pad(drawn[None, None], (0, across, 0, down), value=1.0), 8)
    span = (drawn.shape[3] / 10, drawn.shape[2] / 10)
    middle = lie.world(np.array([[42.8 * lie.print_scale, 26.99 * lie.print_scale, 0.0]]))[0]
    # On a sloping plate the print is laid straight down on it, so its height above the plate shifts it sideways.
    way = middle[1] * math.sqrt(2) + math.copysign(lie.thickness, lie.normal[1]) if fold else middle[1]
    angle = math.atan2(float(lie.x @ np.array([0, 1.0, 0])) * (math.sqrt(2) if fold else 1.0), float(lie.x[0]))
    thick = lie.thickness * (math.sqrt(2) if fold else 1.0)
    return place_card(
        dice,
        surface,
        drawn,
        torch.tensor([[float(middle[0]), float(way)]], device=device),
        torch.tensor([angle], device=device),
        torch.tensor([lie.print_scale], device=device),
        torch.tensor([thick], device=device),
        fold=fold,
        picture_mm=span,
    )


def lights_of(shot: Shot, device: str) -> Lights:
    """The shot's lamp in a dim room."""
    lamp = shot.lamp
    room = any_lights(Dice(shot.look, 1, device))
    el, az = math.radians(lamp.elevation), math.radians(lamp.azimuth)
    direction, sharpness, colour = room.direction.clone(), room.sharpness.clone(), room.colour.clone()
    towards = [math.cos(el) * math.cos(az), math.cos(el) * math.sin(az), math.sin(el)]
    direction[0, 0] = torch.tensor(towards, device=device)
    sharpness[0, 0] = lamp.sharpness
    hue = torch.tensor([1 + lamp.warmth, 1.0, 1 - lamp.warmth], device=device)
    colour[0, 0] = lamp.power * lamp.sharpness / (2 * math.pi) * 2.2 * hue
    dome = torch.tensor([[lamp.dome]], device=device)
    return replace(
        room, direction=direction, sharpness=sharpness, colour=colour, dome_low=0.6 * dome, dome_high=1.2 * dome
    )


def defocused(radiance: Tensor, radius: int) -> Tensor:
    """Light (1, 3, H, W) through a lens out of focus: every point a disc of ``radius`` px."""
    if radius == 0:
        return radiance
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1)).astype(np.float32)
    spread_out = cv2.filter2D(
        radiance[0].permute(1, 2, 0).cpu().numpy(), -1, disc / disc.sum(), borderType=cv2.BORDER_REFLECT
    )
    return torch.from_numpy(spread_out).to(radiance.device).permute(2, 0, 1)[None]


def wild_look(shot: Shot, device: str) -> Look | None:
    """What the shot's bead looks like, where it is wild."""
    return None if shot.wild is None else any_look(Dice(shot.wild, 1, device))


def instead_of_a_bead(dice: Dice, surface: Surface, weld: Weld) -> None:
    """Writing, strokes, a rod, a rope or a painted line, a hand or a tool where the bead would be."""
    everywhere = torch.ones_like(weld.face)
    for chance in (0.6, 0.6, 0.6):
        mark(dice, surface, everywhere, chance, 15.0, 110.0)
    middle = surface.s0 + surface.step * surface.height.shape[-1] / 2
    surface.s0 -= middle - 27.0  # a decoy lies where a short view has its middle
    decoy(dice, surface, everywhere[..., :1, :1])
    surface.s0 += middle - 27.0
    strew(dice, surface, everywhere, 0.5)


@dataclass(frozen=True, slots=True)
class Bench:
    """A bead, its plates and cards on a bench, ready to be photographed from anywhere."""

    surface: Surface
    maps: Tensor
    laid: Laid
    lies: list[CardLie]


def lay_out(shot: Shot, lenses: list[Lens], device: str, within: F64 | None = None) -> Bench:
    """What the shot shows, wide enough for all of the lenses, or for what lies ``within`` these world points."""
    look = wild_look(shot, device)
    fillet = shot.kind == "fillet"
    plan, lies = plan_of(shot, device), card_lies(shot)
    s, t = ground(lenses, 0.0 if fillet else shot.drop, device, within)
    strip_s = s[(s > -shot.length / 2 - BESIDE_ENDS) & (s < shot.length / 2 + BESIDE_ENDS)]
    strip_t = t[t.abs() < BESIDE]
    weld = lay(Dice(shot.seed, 1, device), plan, strip_s, strip_t, look)
    plan = weld.truth["plan"]
    if shot.beside:
        lay_beside(Dice(shot.seed + 1, 1, device), plan, weld, strip_s, strip_t, look, 1.0, 0.4)
    if shot.no_bead:
        weld.face, weld.height = weld.face * 0, weld.height * 0
        weld.slag, weld.crack, weld.pore = weld.slag * 0, weld.crack * 0, weld.pore * 0
    dice = Dice(shot.steel, 1, device)
    whole = spread(weld, s, t, strip_s, strip_t, fillet)
    surface = dress(dice, whole, s, t, torch.ones(1, 1, 1, 1, device=device) if shot.butt else None, look)
    if look is None:
        polish(surface, whole, shot)
    if shot.no_bead:
        instead_of_a_bead(dice, surface, whole)
    cover_with_slag(dice, whole, surface, torch.full((1, 1, 1, 1), float(shot.under_slag), device=device))
    plate = plate_mask(shot, lies, s, t)
    drop = torch.full((1, 1, 1, 1), shot.drop, device=device)
    bench(dice, surface, torch.maximum(plate, whole.face), drop)
    plain = plate
    for lie, which in zip(lies, "AB", strict=False):
        plain = plain * (1 - lay_card(dice, surface, shot, lie, which))
    rows = slice(round(float(t[0] - strip_t[0]) / STEP), None)
    columns = slice(round(float(strip_s[0] - s[0]) / STEP), None)
    bare = plain[0, 0, rows, columns][: len(strip_t), : len(strip_s)].cpu().numpy().astype(float)
    columns_mm, rows_mm = (axis.cpu().numpy().astype(float) for axis in (strip_s, strip_t))
    laid = Laid(plan, weld, columns_mm, rows_mm, bare, fillet, shot.card_side)
    return Bench(surface, shading_maps(surface), laid, lies)


def photograph(
    scene: Bench,
    shot: Shot,
    lens: Lens,
    device: str,
    within: F64 | None = None,
    surroundings: Surroundings | None = None,
    near: float | None = None,
) -> tuple[NDArray[np.uint8], dict[str, Any]]:
    """One photo (H, W, 3, BGR) of what was laid out, and its truth; grey where nothing lies ``within`` the points.

    A wild shot is lit by one of the photographed surroundings, where these are given. With ``near``, mm, each pixel is
    shaded no further from the bead than that.
    """
    lights, look = lights_of(shot, device), wild_look(shot, device)
    if look is not None and surroundings is not None:
        lights = among(Dice(shot.look + 1, 1, device), lights, surroundings)
    eye = torch.from_numpy(lens.eye.astype(np.float32)).to(device)[None]
    steps = 150 if scene.laid.fillet else 30
    left, top, right, low = 0, 0, lens.width, lens.height
    if within is not None:
        px = lens.pixels(within)
        left, top = np.clip(px.min(axis=0).astype(int), 0, [lens.width, lens.height])
        right, low = np.clip(px.max(axis=0).astype(int), 0, [lens.width, lens.height])
    if near is None:
        tiles = []
        for y in range(top, low, 150):
            target = lens.targets(y, min(y + 150, low))[:, :, left:right].to(device)
            tiles.append(shade(scene.surface, target, eye, lights, 16, steps, scene.maps)[0])
        drawn = torch.cat(tiles, 2).nan_to_num(0.0)
    else:
        target = lens.targets(top, low)[:, :, left:right].to(device)
        drawn = shade_sparingly(scene, shot, target, eye, lights, steps, near).nan_to_num(0.0)
    whole = drawn.mean(dim=(2, 3), keepdim=True).expand(-1, -1, lens.height, lens.width).clone()
    whole[:, :, top:low, left:right] = drawn
    radiance = defocused(whole, shot.defocus)
    if look is not None:
        radiance = tinted(Dice(shot.look + 2, 1, device), radiance)
    blur = torch.tensor([shot.blur], device=device)
    phone = Dice(shot.look + shot.nth, 1, device)
    photo = develop(radiance, phone, blur, grain_px=1.8, compress=False, bright_to=shot.bright_to)
    image = (photo[0].permute(1, 2, 0).cpu().numpy()[..., ::-1] * 255 + 0.5).astype(np.uint8)
    bead, spatter = bead_truth(scene.laid, lens, scene.lies)
    truth: dict[str, Any] = {
        "photo": f"{shot.name}.jpg",
        "usable": shot.usable,
        "why_not": shot.why_not,
        "cause": shot.cause,
        "kind": shot.kind,
        "frames": {
            "plate": "x right, y down as printed on card A, origin at its top-left corner, z up from the plate towards "
            "the viewer, mm, true lengths (not card units)",
            "pixel": "(0,0) is the centre of the top-left pixel",
        },
        "image": {
            "width": lens.width,
            "height": lens.height,
            "exif_orientation": 1,
            "exif_f35": shot.focal_35mm,
        },
        **camera_truth(lens, scene.lies[0]),
        "card": card_truth(lens, scene.lies, shot.check_line),
        "bead": bead,
        "spatter": spatter,
        "generator": {
            "seed": shot.seed,
            "steel": shot.steel,
            "look": shot.look,
            "bead": {**STRINGER, **shot.bead},
            "wild": None if look is None else {"seed": shot.wild, "face": list(FACES)[int(look.face)]},
            "thing": "no_bead" if shot.no_bead else "beside" if shot.beside else "slag" if shot.under_slag else "bead",
        },
    }
    return image, truth


def take(
    shot: Shot, device: str = "cpu", surroundings: Surroundings | None = None
) -> tuple[NDArray[np.uint8], dict[str, Any]]:
    """The photo (H, W, 3, BGR) and its truth. Another device draws other noise: the same seeds, another photo."""
    lens = phone_over(shot, card_lies(shot))
    return photograph(lay_out(shot, [lens], device), shot, lens, device, surroundings=surroundings)


def _spread(few: Tensor, k: int, size: tuple[int, ...]) -> Tensor:
    """Every ``k``-th pixel (1, C, h, w), the first one first, spread over all pixels (1, C, *size)."""
    small = np.ascontiguousarray(few[0].permute(1, 2, 0).cpu().numpy())
    x, y = np.meshgrid(np.arange(size[1], dtype=np.float32) / k, np.arange(size[0], dtype=np.float32) / k)
    wide = cv2.remap(small, x, y, cv2.INTER_CUBIC if k < 4 else cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return torch.from_numpy(wide).permute(2, 0, 1)[None].to(few.device)


def shade_sparingly(
    scene: Bench, shot: Shot, target: Tensor, eye: Tensor, lights: Lights, steps: int, near: float
) -> Tensor:
    """Radiance (1, 3, H, W): every fourth pixel, on the cards every second, within ``near`` mm of the bead each one."""

    def every(k: int, y: slice, x: slice) -> tuple[Tensor, Tensor]:
        few = target[:, y, x][:, ::k, ::k]
        radiance, hit = shade(scene.surface, few, eye, lights, 3 if k > 1 else 16, steps, scene.maps)
        size = target[:, y, x].shape[1:3]
        return _spread(radiance, k, size), _spread(hit.permute(0, 3, 1, 2), k, size)[0]

    whole = slice(0, target.shape[1]), slice(0, target.shape[2])
    drawn, (s, t) = every(4, *whole)
    corners = shot.print_scale * np.array([[-3, -3, 0], [89, -3, 0], [89, 57, 0], [-3, 57, 0]])
    for lie in scene.lies:
        low, high = (f(lie.world(corners)[:, :2], axis=0) for f in (np.min, np.max))
        on = (s > low[0]) & (s < high[0]) & (t > low[1]) & (t < high[1])
        if on.any():
            rows, columns = (torch.where(on.any(dim=way))[0] for way in (1, 0))
            box = slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)
            drawn[:, :, box[0], box[1]] = every(2, *box)[0]
    half = {**STRINGER, **shot.bead}["width"] / 2 * (math.sqrt(2) if shot.kind == "fillet" else 1.0)
    on = (s.abs() < shot.length / 2 + near) & (t.abs() < half + near)
    fine = shade(scene.surface, target[:, on][:, None], eye, lights, 16, steps, scene.maps)[0]
    drawn[:, :, on] = fine[:, :, 0]
    return drawn


def take_round(
    shots: Sequence[Shot], device: str = "cpu", around: float | None = None, near: float | None = None
) -> tuple[list[tuple[NDArray[np.uint8], dict[str, Any]]], dict[str, NDArray[Any]]]:
    """Photos of one bead from several stands, each with its truth, and the relief that they share.

    The shots differ in where the phone is, in what it makes of the light, and, where the lamp is the phone's own, in
    the lamp. With ``around``, mm, no more is drawn than what lies so near to bead and cards, and with ``near``, mm,
    each pixel is shaded no further from the bead than that: many times as quick.
    """
    lies = card_lies(shots[0])
    lenses = [phone_over(shot, lies) for shot in shots]
    within = None
    if around is not None:
        low, high = (f(outlines(shots[0], lies), axis=0) for f in (np.min, np.max))
        low, high = low - around, high + around
        within = np.array([[x, y, z] for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (0.0, high[2])])
    scene = lay_out(shots[0], lenses, device, within)
    photos = [
        photograph(scene, shot, lens, device, within, near=near) for shot, lens in zip(shots, lenses, strict=True)
    ]
    return photos, relief_truth(scene.laid, scene.lies)


def jpeg(image: NDArray[np.uint8], shot: Shot, quality: int) -> bytes:
    """The photo as a phone would write it."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Evening Class", "Bench phone", 1
    inner = exif.get_ifd(0x8769)
    inner[0x9003], inner[0xA405], inner[0x920A] = shot.taken, round(shot.focal_35mm), round(shot.focal_35mm / 6.2, 2)
    picture = Image.fromarray(cv2.cvtColor(image, cv2.COLOR_BGR2RGB))
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=quality, exif=exif, subsampling="4:2:0", optimize=True)
    return out.getvalue()


def small_jpeg(image: NDArray[np.uint8], shot: Shot, most: int = MOST_BYTES) -> tuple[bytes, int]:
    """The photo at the best quality that keeps it small, and that quality."""
    for quality in range(92, 50, -3):
        data = jpeg(image, shot, quality)
        if len(data) <= most:
            break
    return data, quality


def write(folder: Path, name: str, data: bytes, quality: int, truth: dict[str, Any]) -> None:
    """The photo into ``folder``, its truth beside it."""
    truth["image"] |= {"jpeg_quality": quality, "bytes": len(data)}
    (folder / f"{name}.jpg").write_bytes(data)
    (folder / f"{name}.json").write_text(json.dumps(truth, separators=(",", ":")) + "\n", "utf-8")


def main() -> None:
    """Make the photos asked for, or all."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("names", nargs="*", metavar="NAME", help="photos to make; all if none is named")
    ask.add_argument("--out", type=Path, default=Path(__file__).resolve().parent)
    said = ask.parse_args()
    known = {shot.name: shot for shot in SHOTS}
    if unknown := [n for n in said.names if n not in known and n not in ROUNDS]:
        ask.error(f"there is no photo {', '.join(unknown)}; there are {', '.join((*known, *ROUNDS))}")
    said.out.mkdir(parents=True, exist_ok=True)
    for name in said.names or ROUNDS:
        if name in ROUNDS:
            with torch.inference_mode():
                photos, relief = take_round(ROUNDS[name])
            folder = said.out / name
            folder.mkdir(parents=True, exist_ok=True)
            for shot, (image, truth) in zip(ROUNDS[name], photos, strict=True):
                write(folder, shot.name, *small_jpeg(image, shot, MOST_BYTES_OF_ROUND), truth)
            np.savez_compressed(folder / f"{name}_relief.npz", allow_pickle=False, **relief)
            print(f"{name}: {len(photos)} photos", flush=True)
    for name in [n for n in said.names or known if n in known]:
        with torch.inference_mode():
            image, truth = take(known[name])
        data, quality = small_jpeg(image, known[name])
        write(said.out, name, data, quality, truth)
        print(f"{name}: {len(data) // 1000} kB at quality {quality}", flush=True)


if __name__ == "__main__":
    main()
