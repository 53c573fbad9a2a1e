"""What indications, causes and plates are called in front of a person; measures are named in their registry."""

from __future__ import annotations

from typing import Literal

from toeline.result import CauseId, IndicationKind

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
    "poor_start": "Poor start",
}

TestKind = Literal[
    "face_bend",
    "root_bend",
    "side_bend",
    "break",
    "macro",
    "penetrant",
    "magnetic",
    "radiographic",
    "ultrasonic",
    "tensile",
    "hardness",
]

#: What is tested on a weld later on.
TESTS: dict[TestKind, str] = {
    "face_bend": "face bend test",
    "root_bend": "root bend test",
    "side_bend": "side bend test",
    "break": "break test",
    "macro": "macro section",
    "penetrant": "penetrant test",
    "magnetic": "magnetic particle test",
    "radiographic": "radiographic test",
    "ultrasonic": "ultrasonic test",
    "tensile": "tensile test",
    "hardness": "hardness test",
}

#: What a person decided, in a word.
DECIDED: dict[str | None, str] = {
    "accept": "accepted",
    "reject": "rejected",
    "refer": "referred",
    None: "no decision yet",
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
