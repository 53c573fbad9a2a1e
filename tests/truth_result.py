"""Results made from a photo's truth file with plausible measuring noise, to try later stages by themselves."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np

from toeline.result import Bead, GaugeReading, Indication, PhotoInfo, Quantity, Result, Scale, Settings, Welding

_LOOKED_FOR = {
    "undercut": "undercut", "overlap": "overlap", "crater_unfilled": "craters", "poor_restart": "restarts",
}  # fmt: skip
PHOTOS = Path(__file__).parents[2] / "shared" / "photos" / "dev"


def truth_files() -> list[Path]:
    """The truth files of the photos that come with the project's data, if they are there."""
    return sorted(PHOTOS.glob("*.json"))


def result_from_truth(truth: dict[str, Any], rng: np.random.Generator, welding: Welding | None = None) -> Result:
    """What a good measurement of this photo would give: every length off by its own noise, U stated to match."""
    bead, kind = truth["bead"], truth["kind"]
    joint = {"cap": "butt", "fillet": "fillet"}.get(kind, "bead")

    def noisy(value: float, u: float, unit: str = "mm") -> Quantity:
        return Quantity(value=max(0.0, value + rng.normal(0, u)), U=2 * u, unit=unit)

    length = bead["seam"]["length_mm"]
    pitch = bead["ripples"]["pitch_mean_mm"]
    measures = {
        "length": noisy(length, 0.3),
        "left_edge_deviation": noisy(bead["toe_left"]["rms_from_25mm_mean_mm"], 0.03),
        "right_edge_deviation": noisy(bead["toe_right"]["rms_from_25mm_mean_mm"], 0.03),
        "ripple_pitch": noisy(pitch, 0.03 * pitch),
        "ripple_variation": noisy(bead["ripples"]["pitch_sd_mm"] / pitch, 0.03, "1"),
    }
    if kind == "fillet":
        legs = [bead["fillet"][f"leg_{plate}_mm"]["mean"] for plate in "AB"]
        face = math.hypot(*legs)
        measures |= {
            "leg_base": noisy(legs[0], 0.15),
            "leg_upright": noisy(legs[1], 0.15),
            "face_width": noisy(face, 0.15),
        }
    else:
        width = bead["width_mm"]
        face = width["mean"]
        measures |= {
            "width_mean": noisy(face, 0.1),
            "width_sd": noisy(width["sd"], 0.05),
            "width_variation": noisy(width["sd"] / face, 0.006, "1"),
        }
    measures["ripple_sharpness"] = noisy(bead["ripples"]["crescent_depth_mm"] / (face / 2), 0.1, "1")
    indications: list[Indication] = []
    words: list[GaugeReading] = []

    def add(kind: str, **more: Any) -> None:
        indications.append(Indication(kind=kind, confidence=0.9, **more))
        if kind in _LOOKED_FOR:  # a person has looked and found it, as no photo is that sure
            at = (more["from_"] + more["to"]) / 2
            words.append(GaugeReading(name=_LOOKED_FOR[kind], value=1, at=at))

    total = {"left": 0.0, "right": 0.0}
    for each in bead["undercut"]:
        total[each["side"]] += each["end_mm"] - each["start_mm"]
        add("undercut", side=each["side"], from_=each["start_mm"], to=each["end_mm"])
    for side, undercut in total.items():
        measures[f"undercut_length_{side}"] = noisy(undercut, 1.0) if undercut else Quantity(value=0.0, U=2.0)
    for each in bead["overlap"]:
        add("overlap", side=each["side"], from_=each["start_mm"], to=each["end_mm"])
    balls = [each for each in truth["spatter"] if each["in_frame"] and each["diameter_mm"] >= 0.8]
    for each in balls:
        add("spatter", side="left" if each["t_mm"] > 0 else "right", from_=each["s_mm"], to=each["s_mm"])
    measures["spatter_per_100mm"] = Quantity(
        value=100 * len(balls) / length, U=200 * math.sqrt(len(balls)) / length, unit="1"
    )
    for each in bead["pores"]:
        add("pore", from_=each["s_mm"], to=each["s_mm"])
    if bead["crater"]["state"] == "unfilled":
        add("crater_unfilled", from_=bead["crater"]["s_mm"], to=length)
    if bead["restart"]:
        add("poor_restart", from_=bead["restart"]["s_mm"], to=bead["restart"]["s_mm"])
    return Result(
        photo=PhotoInfo(name=truth["photo"], sha256="0" * 64, width_px=1, height_px=1, usable=True),
        scale=Scale(state="card", cards=("A",)),
        bead=Bead(found=True, confidence=0.9, joint=joint),
        measures=measures,
        indications=tuple(indications),
        settings=Settings(joint=joint, welding=welding or Welding(), gauge=tuple(words)),
    )


def load_truth(path: Path) -> dict[str, Any]:
    """One truth file."""
    truth: dict[str, Any] = json.loads(path.read_text("utf-8"))
    return truth
