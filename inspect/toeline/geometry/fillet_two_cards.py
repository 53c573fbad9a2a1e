"""The fillet frame from two cards in one photo: card A on the base plate, card B on the upright."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from toeline.errors import CardError
from toeline.geometry.card import FoundCard, card_spec
from toeline.geometry.figures import CardFigures, FilletFigures
from toeline.geometry.fillet_frame import FilletFrame, Wedge, modes_of_wedge
from toeline.geometry.optics import F64, Camera, project
from toeline.geometry.plate import CARD_HEIGHT, PRINT_SCALE, Plate, plates_from_cards
from toeline.geometry.pose_fit import CardFit, Pose, first_poses
from toeline.problems import problem
from toeline.result import Problem


class FilletError(CardError):
    """Two cards do not make a fillet; ``problem`` is what to show the user."""

    def __init__(self, text: str, todo: str) -> None:
        super().__init__(f"{text} {todo}")
        self.problem: Problem = problem("fillet_cards", text=text, todo=todo)


def fillet_from_cards(
    cards: Sequence[FoundCard],
    camera: Camera,
    check_line_mm: float | None = None,
    thickness_mm: float | None = None,
    said_angle_deg: float | None = None,
) -> FilletFrame:
    """The fillet frame of a photo that shows card A on the base plate and card B on the upright.

    ``check_line_mm`` and ``thickness_mm`` as in :func:`toeline.geometry.plate.plate_from_card`, of both cards. The
    frame's ``problems`` say where a card is not flat, where a folding card's two halves do not meet at its crease, and
    where the joint is not at ``said_angle_deg``. Two cards laid on each other's plates cannot be told
    from the photo: base and upright are what the cards say they are.

    Raises:
        FilletError: not one card A and one card B, both on one plate, or plates that meet in no fillet in the picture.
        CardError: as :func:`toeline.geometry.plate.plate_from_card`.
    """
    pair = _pair(cards)
    papers = [_as_paper_lies(card, camera) for card in pair]
    a, b = plates_from_cards(papers, camera, check_line_mm, thickness_mm)
    joint = _Joint.of(a, b)
    _check_planes(joint)
    wedge = joint.wedge()
    _check_wedge(wedge, joint, camera)
    modes = modes_of_wedge(lambda step: joint.moved(step).wedge(), _modes(a))
    problems = (*_flatness(a.fit, pair), *_crease(joint), *_angle(wedge, modes, said_angle_deg))
    return FilletFrame(wedge, modes, a, *a.pose, problems=problems)


def _pair(cards: Sequence[FoundCard]) -> tuple[FoundCard, FoundCard]:
    found = {which: [card for card in cards if card.which == which] for which in ("A", "B")}
    for which, twice in found.items():
        if len(twice) > 1:
            raise FilletError(
                f"Card {which} is in the picture twice, so the two plates cannot be told apart.",
                "Lay card A on the base plate and card B on the upright.",
            )
    for which, other, where in (("A", "B", "base plate"), ("B", "A", "upright")):
        if not found[which]:
            raise FilletError(
                f"Only card {other} was found, so the legs cannot be measured.",
                f"Lay card {which} on the {where} too, fully in the picture.",
            )
    return found["A"][0], found["B"][0]


def _as_paper_lies(card: FoundCard, camera: Camera) -> FoundCard:
    """A card with the doubt that paper does not lie quite flat: seen aslant, what stands off is seen aside.

    Without it a wave of a few tenths of a mm would be taken for perspective, and turn the plate. Either pose that the
    corners allow shows what stands off along the same line, so the first will do.
    """
    pose = first_poses(card, camera)[0]
    flat = np.concatenate([card.corners_mm, np.zeros((len(card.corners_mm), 1))], axis=1)
    raised = flat - [0.0, 0.0, FilletFigures.read().cards.u_flat_mm]
    aside = project(pose.of(raised), camera.parameters) - project(pose.of(flat), camera.parameters)
    return replace(card, covariance_px=card.covariance_px + aside[:, :, None] * aside[:, None, :])


@dataclass(frozen=True, slots=True)
class _Side:
    """A card on its plate: its pose in card mm, print scale, height, and the middle of its corners as designed."""

    pose: Pose
    scale: float
    height: float
    middle_mm: F64

    @property
    def into(self) -> F64:
        """Unit vector into the plate, in the camera's frame."""
        return np.asarray(self.pose.rotation[:, 2])

    @property
    def middle(self) -> F64:
        """The card's middle, dropped onto the plate, in the camera's frame, true mm."""
        on_card = self.pose.place + self.pose.rotation[:, :2] @ self.middle_mm
        return np.asarray(self.scale * on_card + self.height * self.into)


#: What a step of the joint moves: camera 5, pose of A 6, pose of B 6, both print scales, both heights.
_STEP = 21


@dataclass(frozen=True, slots=True)
class _Joint:
    """Camera and both cards: what the wedge is a function of."""

    camera: F64
    a: _Side
    b: _Side

    @classmethod
    def of(cls, a: Plate, b: Plate) -> _Joint:
        sides = [
            _Side(p.card_pose, p.print_scale.value, p.thickness_mm, p.card.corners_mm.mean(axis=0)) for p in (a, b)
        ]
        return cls(a.camera.parameters, *sides)

    def moved(self, step: F64) -> _Joint:
        """The joint after a step (21,)."""
        sides = [
            _Side(s.pose.moved(step[k : k + 6]), s.scale + step[17 + n], s.height + step[19 + n], s.middle_mm)
            for n, (k, s) in enumerate(((5, self.a), (11, self.b)))
        ]
        return _Joint(self.camera + step[:5], *sides)

    def wedge(self) -> Wedge:
        """The wedge between both plates, each half plane being the one its card lies on."""
        a, b = self.a, self.b
        along = np.cross(a.into, b.into)
        along /= np.linalg.norm(along)
        planes = np.array([a.into @ a.middle, b.into @ b.middle, along @ (a.middle + b.middle) / 2])
        root = np.linalg.solve(np.stack([a.into, b.into, along]), planes)
        away_a, away_b = _square_to(along, a.middle - root), _square_to(along, b.middle - root)
        angle = np.arctan2(np.linalg.norm(np.cross(away_a, away_b)), away_a @ away_b)
        axes = np.stack([np.cross(away_a, a.into), away_a, a.into], axis=1)
        return Wedge(self.camera, axes, root, float(angle))


def _square_to(along: F64, towards: F64) -> F64:
    square = towards - (towards @ along) * along
    return np.asarray(square / np.linalg.norm(square))


def _modes(a: Plate) -> dict[str, F64]:
    """Modes (M, 21) of the joint: of the fit, and of print scale and height, most of which both cards share."""
    ours = FilletFigures.read().cards
    poses = np.concatenate([np.arange(11), 13 + np.arange(6)])  # without the ink gains
    modes = {label: np.pad(rows[:, poses], ((0, 0), (0, 4))) for label, rows in a.fit.modes.items()}
    u_scale, u_height = float(a.modes[PRINT_SCALE][0, 11]), float(a.modes[CARD_HEIGHT][0, 12])
    modes[PRINT_SCALE] = _pair_modes(17, u_scale, a.print_scale.value * ours.u_print_apart)
    modes[CARD_HEIGHT] = _pair_modes(19, u_height, ours.u_height_apart)
    return modes


def _pair_modes(first: int, common: float, own: float) -> F64:
    """Three modes of a pair of unknowns: what both share, then each one's own."""
    rows = np.zeros((3, _STEP))
    rows[:, first : first + 2] = [[common, common], [own, 0.0], [0.0, own]]
    return rows


def _check_planes(joint: _Joint) -> None:
    """Refuse planes that are one plate, or that have the other card behind them."""
    a, b = joint.a, joint.b
    between = np.degrees(np.arctan2(np.linalg.norm(np.cross(a.into, b.into)), a.into @ b.into))
    if between < FilletFigures.read().cards.min_between_normals:
        raise FilletError(
            f"Both cards lie in nearly one plane ({between:.0f} degrees apart), so there is no joint between them.",
            "Lay card A on the base plate and card B on the upright.",
        )
    if (a.middle - b.middle) @ a.into <= 0 or (b.middle - a.middle) @ b.into <= 0:
        raise FilletError(
            "The two cards look away from each other, as on the outside of a corner.",
            "Lay both cards on the side where the weld is, each flat on its own plate.",
        )


def _check_wedge(wedge: Wedge, joint: _Joint, camera: Camera) -> None:
    """Refuse a joint angle that is no fillet's, and a root line that is not in the picture beside the cards."""
    limits = FilletFigures.read().cards
    angle = np.degrees(wedge.angle)
    low, high = limits.angle_range
    if not low <= angle <= high:
        raise FilletError(
            f"The plates under the cards meet at {angle:.0f} degrees, which is no fillet.",
            "See that each card lies flat on its own plate.",
        )
    from_root = np.stack([joint.a.middle - wedge.root, joint.b.middle - wedge.root]) @ wedge.axes
    reach = float(np.linalg.norm(from_root[:, 1:], axis=1).max())
    x = np.linspace(from_root[:, 0].min() - 50.0, from_root[:, 0].max() + 50.0, 200)
    line = wedge.points(np.stack([x, np.zeros_like(x)], axis=-1))
    px = project(line[line[:, 2] > 0], wedge.camera)
    seen = ((px > -0.5) & (px < [camera.width - 0.5, camera.height - 0.5])).all(axis=1)
    if reach > limits.max_root_reach or not seen.any():
        raise FilletError(
            "The plates under the cards do not meet in the picture.",
            "Show the weld between the cards, and lay each card flat on its own plate near the weld.",
        )


def _flatness(fit: CardFit, pair: Sequence[FoundCard]) -> list[Problem]:
    """A problem for each card whose corners do not lie as a flat card's would."""
    limits = FilletFigures.read().cards
    problems = []
    for card, pose, gain in zip(pair, fit.poses, fit.ink_gains, strict=True):
        flat = np.concatenate([card.corners_mm, np.zeros((len(card.corners_mm), 1))], axis=1)
        seen = card.corners_px + card.gain_slope @ (gain - card.ink_gain_px)
        off = seen - project(pose.of(flat), fit.camera.parameters)
        freedom = max(off.size - 8, 1)  # a flat card's place in a picture takes eight numbers
        misfit = np.sqrt(np.einsum("ni,nij,nj->", off, np.linalg.inv(card.covariance_px), off) / freedom)
        off_px = float(np.sqrt(2 * (off**2).sum() / freedom))
        if off_px > limits.bent_misfit_px:
            problems.append(problem("card_bent", px=f"{off_px:.1f}"))
        elif misfit > limits.max_misfit and off_px > limits.max_misfit_px:
            problems.append(problem("card_not_flat", px=f"{off_px:.1f}"))
    return problems


def _crease(joint: _Joint) -> list[Problem]:
    """A problem where both halves of a folding card see its crease in different places; none for two loose cards.

    The crease is common to both halves, so it tells a fold beside its line, or a half that does not lie flat.
    """
    spec, gap = card_spec(), CardFigures.read().folding.gap
    limits = FilletFigures.read().fold
    ends = [
        side.scale * side.pose.of(np.array([[0.0, y, 0.0], [spec.width, y, 0.0]]))
        for side, y in ((joint.a, -gap / 2), (joint.b, spec.height + gap / 2))
    ]
    off = float(np.linalg.norm(ends[0] - ends[1], axis=1).max())
    if off > limits.loose_mm or off <= limits.tolerance_mm:
        return []
    return [
        problem(
            "fillet_cards",
            text=f"The folding card's two halves see its crease {off:.1f} mm apart.",
            todo="Fold it sharply along its line and press both halves flat against their plates.",
        )
    ]


def _angle(wedge: Wedge, modes: Mapping[str, F64], said_deg: float | None) -> list[Problem]:
    """A problem where the joint is not at the angle it is said to be at."""
    if said_deg is None:
        return []
    measured = float(np.degrees(wedge.angle))
    u = float(np.degrees(np.linalg.norm(np.concatenate([rows[:, -1] for rows in modes.values()]))))
    if abs(measured - said_deg) <= FilletFigures.read().angle.tolerance + 2 * u:
        return []
    return [problem("joint_angle", deg=f"{measured:.1f}", said=f"{said_deg:g}")]
