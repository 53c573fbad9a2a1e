"""What measures, indications and causes are called in front of a person. Left and right: looking along the travel."""

from __future__ import annotations

from typing import Literal

from toeline.result import CauseId, IndicationKind

MEASURES: dict[str, str] = {
    "length": "Length",
    "width_mean": "Width, mean",
    "width_min": "Width, least",
    "width_max": "Width, greatest",
    "width_sd": "Width, spread",
    "width_variation": "Width, relative spread",
    "length_to_width": "Length over width",
    "left_edge_deviation": "Left edge, unevenness",
    "right_edge_deviation": "Right edge, unevenness",
    "left_straightness": "Left edge, straightness",
    "right_straightness": "Right edge, straightness",
    "ripple_pitch": "Ripple spacing",
    "ripple_variation": "Ripple spacing, relative spread",
    "ripple_sharpness": "Ripple sharpness",
    "undercut_length_left": "Undercut, left toe",
    "undercut_length_right": "Undercut, right toe",
    "undercut_length_total": "Undercut, both toes",
    "spatter_count": "Spatter, count",
    "spatter_per_100mm": "Spatter per 100 mm",
    "leg_base": "Leg on the base plate (card A)",
    "leg_upright": "Leg on the upright plate (card B)",
    "leg_base_min": "Leg on the base plate (card A), least",
    "leg_upright_min": "Leg on the upright plate (card B), least",
    "leg_base_max": "Leg on the base plate (card A), greatest",
    "leg_upright_max": "Leg on the upright plate (card B), greatest",
    "leg_base_sd": "Leg on the base plate (card A), spread",
    "leg_upright_sd": "Leg on the upright plate (card B), spread",
    "leg_base_min_at": "Leg on the base plate (card A), where least",
    "leg_upright_min_at": "Leg on the upright plate (card B), where least",
    "undersize_share": "Length under the drawing's size, share",
    "leg_inequality": "Difference of the mean legs",
    "leg_inequality_max": "Difference of the legs, greatest",
    "throat": "Throat, theoretical",
    "throat_min": "Throat, least",
    "throat_max": "Throat, greatest",
    "throat_sd": "Throat, spread",
    "throat_min_at": "Throat, where least",
    "face_width": "Face width",
    "joint_angle": "Joint angle",
}

INDICATIONS: dict[IndicationKind, str] = {
    "undercut": "Undercut",
    "overlap": "Overlap",
    "spatter": "Spatter",
    "pore": "Surface pore",
    "crater_unfilled": "Crater not filled",
    "crater_crack": "Crater crack",
    "poor_restart": "Poor restart",
    "arc_strike": "Arc strike",
    "slag_left": "Slag left on",
    "irregular_width": "Irregular width",
    "irregular_surface": "Irregular surface",
}

CAUSES: dict[CauseId, str] = {
    "arc_too_long": "Arc too long",
    "arc_too_short": "Arc too short",
    "current_too_high": "Current too high",
    "current_too_low": "Current too low",
    "travel_too_fast": "Travel too fast",
    "travel_too_slow": "Travel too slow",
    "arc_blow": "Arc blow",
    "wrong_work_angle": "Work angle off",
    "wrong_travel_angle": "Travel angle off",
    "unfilled_crater": "Crater left unfilled",
    "poor_restart": "Restart badly tied in",
    "damp_or_dirty": "Damp electrode or dirty plate",
    "uneven_hand": "Uneven hand",
}


#: The plates of a fillet. Which is which is what the cards say: a photo cannot tell whether they were laid swapped.
PLATES: dict[Literal["base", "upright"], str] = {
    "base": "base plate (card A)",
    "upright": "upright plate (card B)",
}
PLATES_ASSUMED = (
    "The base plate is the one with card A, the upright the one with card B: that the cards lie so is taken as said, "
    "for the photo cannot show it."
)


def measure_name(name: str) -> str:
    """The title of a measure; a name that has none yet is shown with spaces."""
    return MEASURES.get(name, name.replace("_", " ").capitalize())
