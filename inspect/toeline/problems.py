"""The one registry of problems: code, severity, what is wrong, and what to do about it at the bench."""

from __future__ import annotations

from dataclasses import dataclass

from toeline.result import Problem, Severity


@dataclass(frozen=True, slots=True)
class ProblemKind:
    """A kind of problem; ``text`` may hold ``{placeholders}`` that :func:`problem` fills in."""

    code: str
    severity: Severity
    text: str
    do: str


_KINDS = (
    ProblemKind(
        "photo_small",
        "warning",
        "The photo has only {px} pixels per mm.",
        "Go closer so that card and bead fill the picture.",
    ),
    ProblemKind(
        "photo_too_small",
        "stop",
        "The photo has only {px} pixels per mm, too few to measure.",
        "Go closer so that card and bead fill the picture, and send the original, not a shrunk copy.",
    ),
    ProblemKind(
        "bead_small", "warning", "The bead is only {px} pixels wide.", "Go closer so that the bead fills the picture."
    ),
    ProblemKind(
        "bead_too_small",
        "stop",
        "The bead is only {px} pixels wide, too few to measure.",
        "Go closer so that the bead fills the picture, and send the original, not a shrunk copy.",
    ),
    ProblemKind("photo_dark", "stop", "The photo is too dark to find a bead in.", "Add light from the side."),
    ProblemKind(
        "photo_blown",
        "stop",
        "{share} % of the photo is blown out, which may hide the bead.",
        "Move the lamp to the side, or tap on the bead so that the phone exposes for it, and take it again.",
    ),
    ProblemKind(
        "photo_blurred",
        "stop",
        "The photo is too blurred to find a bead in.",
        "Rest the phone on something, tap on the bead to focus, and take it again.",
    ),
    ProblemKind(
        "blur",
        "warning",
        "The bead is a little blurred.",
        "Hold still or rest the phone, tap on the bead to focus, and take it again.",
    ),
    ProblemKind(
        "blur_strong",
        "stop",
        "The bead is too blurred to measure.",
        "Rest the phone on something, tap on the bead to focus, and take it again.",
    ),
    ProblemKind(
        "glare",
        "warning",
        "{share} % of the bead is blown out by glare.",
        "Move the lamp or turn the plate so that the bead does not mirror it.",
    ),
    ProblemKind(
        "glare_strong",
        "stop",
        "{share} % of the bead is blown out by glare.",
        "Move the lamp to the side or use a diffuse light, and take it again.",
    ),
    ProblemKind("dark", "warning", "{share} % of the bead is too dark to see.", "Add light from the side."),
    ProblemKind(
        "dark_strong",
        "stop",
        "The bead is too dark to measure.",
        "Add light and take it again without flash on the lens axis.",
    ),
    ProblemKind(
        "tilt", "warning", "The camera looks at the plate {deg} degrees off square.", "Stand square over the bead."
    ),
    ProblemKind(
        "tilt_strong",
        "stop",
        "The camera looks at the plate {deg} degrees off square, too much to measure.",
        "Stand square over the bead and take it again.",
    ),
    ProblemKind(
        "no_card",
        "warning",
        "No reference card was found, so there are no millimetres.",
        "Lay the printed card flat beside the bead, fully in the picture.",
    ),
    ProblemKind(
        "card_partly_seen",
        "warning",
        "Only {n} of 4 card markers were found.",
        "Show the whole card, clean and out of glare.",
    ),
    ProblemKind(
        "card_twice",
        "stop",
        "There is more than one card {card} in the photo.",
        "Leave one card of each letter on the plate and take it again.",
    ),
    ProblemKind(
        "card_b_without_fillet",
        "stop",
        "Cards A and B are in view, so this is a fillet, but it was not said to be one.",
        "Say that the joint is a fillet, or leave card B out of the picture.",
    ),
    ProblemKind(
        "card_not_flat",
        "warning",
        "The card's markers do not lie in one plane within {px} px.",
        "Lay the card flat, or print it on stiffer paper.",
    ),
    ProblemKind(
        "card_bent",
        "stop",
        "The card's markers disagree by {px} px, so the scale cannot be trusted.",
        "Lay the card flat on the plate and take it again.",
    ),
    ProblemKind(
        "card_far",
        "note",
        "The bead lies {mm} mm from the card; the scale is carried that far.",
        "Lay the card closer to the bead.",
    ),
    ProblemKind(
        "print_scale_unknown",
        "note",
        "The card's print scale was not measured; 1 % is allowed for it.",
        "Measure the card's check line and give its length.",
    ),
    ProblemKind(
        "focal_unknown",
        "note",
        "The focal length was estimated from the card alone.",
        "Send the original photo with its camera data, or make a camera profile.",
    ),
    ProblemKind(
        "no_bead",
        "stop",
        "No weld bead was found.",
        "Show the whole cleaned bead beside the card, or mark its two ends.",
    ),
    ProblemKind(
        "ends_off",
        "stop",
        "No weld bead was seen between the two ends.",
        "Mark the start and the end on the middle of the bead, or take the photo again.",
    ),
    ProblemKind(
        "ends_missed",
        "stop",
        "The bead could be followed over only {share} % of the way between the two ends.",
        "Mark the start and the end on the middle of the bead, or light it from the side and take it again.",
    ),
    ProblemKind("not_a_bead", "stop", "What was found looks like {what}, not a cleaned weld bead.", "{todo}"),
    ProblemKind(
        "toes_unsure",
        "stop",
        "The bead's edges could not be made out surely enough to measure it.",
        "Light it from the side and take it again, or mark its two ends on the middle of the bead.",
    ),
    ProblemKind(
        "ends_unsure",
        "stop",
        "It could not be made out surely where the bead {what}.",
        "Light it from the side and take it again, or mark its two ends on the middle of the bead.",
    ),
    ProblemKind(
        "relief_same_file",
        "warning",
        "The photo is the same file as {other}.",
        "Take another from the side.",
    ),
    ProblemKind(
        "relief_no_card",
        "warning",
        "The photo shows no card {card} that tells where it was taken from.",
        "Take it again with the whole card in the picture, sharp.",
    ),
    ProblemKind(
        "relief_same_stand",
        "warning",
        "The photo was taken from where {other} was.",
        "If a side is still missing, lean the phone about 25 degrees to it.",
    ),
    ProblemKind(
        "relief_card_moved",
        "warning",
        "The card lies elsewhere beside the bead than in {other}, about {off} mm off.",
        "Lay the card once and leave it, then take all photos again.",
    ),
    ProblemKind(
        "relief_other_bead",
        "warning",
        "The photo does not show the bead of {other}, or in a light too different to know it again.",
        "Take all photos of one bead, one after the other, in the same light.",
    ),
    ProblemKind(
        "relief_unread",
        "warning",
        "{why}",
        "The other photos are used without it.",
    ),
    ProblemKind(
        "relief_alone",
        "note",
        "Height needs at least two photos of the bead from different stands, and no second one could be used.",
        "Add photos that lean about 25 degrees to each side, bead and card in view.",
    ),
    ProblemKind(
        "relief_no_lean",
        "note",
        "The photos look from one side only, within {lean} degrees, which shows no height.",
        "Add photos that lean about 25 degrees to each side.",
    ),
    ProblemKind(
        "several_beads",
        "stop",
        "{n} beads were found; the one nearest the card was measured as a proposal.",
        "Mark the two ends of the bead that is meant.",
    ),
    ProblemKind(
        "bead_cut",
        "warning",
        "The bead runs out of the picture at its {end}.",
        "Show the whole bead if its length or that end matters.",
    ),
    ProblemKind(
        "bead_covered", "warning", "The card covers part of the bead.", "Lay it beside the bead and take it again."
    ),
    ProblemKind(
        "toe_covered",
        "warning",
        "Something lies over the {side} toe, about {share} % of the way along the bead.",
        "Take it away and take the photo again.",
    ),
    ProblemKind(
        "bead_unsure",
        "warning",
        "The bead's edges are hard to see over {share} % of its length.",
        "Light the bead from the side and take it again.",
    ),
    ProblemKind(
        "travel_assumed",
        "note",
        "The direction of travel could not be read from the ripples.",
        "Mark the start first, then the end.",
    ),
    ProblemKind(
        "bead_short",
        "warning",
        "The bead is too short for body statistics.",
        "Show a bead at least four times as long as it is wide.",
    ),
    ProblemKind("fillet_cards", "warning", "{text}", "{todo}"),
    ProblemKind(
        "toe_hidden",
        "warning",
        "The fillet's face is seen at only {deg} degrees, so its bulge may hide the toe on the {plate}.",
        "Look at the weld from midway between the two plates.",
    ),
    ProblemKind(
        "joint_angle",
        "warning",
        "The joint measures {deg} degrees, not {said}.",
        "Check the joint, and that each card lies flat on its own plate.",
    ),
)

REGISTRY: dict[str, ProblemKind] = {kind.code: kind for kind in _KINDS}


def problem(code: str, **values: object) -> Problem:
    """The problem ``code`` with its placeholders filled, its text saying what is wrong and what to do."""
    kind = REGISTRY[code]
    return Problem(code=code, severity=kind.severity, text=f"{kind.text} {kind.do}".format(**values))
