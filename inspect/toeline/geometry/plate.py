"""Where the plate lies in the photo: pixels to true millimetres on its surface and back, with covariance.

The plate's frame is its card's: origin at the card's top-left corner as printed, x right, y down, z up from the plate
towards the viewer. The card lies above the plate by its thickness; the plate is z = 0.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from toeline.errors import CardError
from toeline.geometry.card import FoundCard, Which, card_spec
from toeline.geometry.figures import CardFigures
from toeline.geometry.optics import Camera, project, project_with_derivatives, rays
from toeline.geometry.pose_fit import CardFit, Pose, fit_cards
from toeline.result import Quantity
from toeline.uncertainty import propagate, quantity, rows_of

F64 = NDArray[np.float64]

#: Labels of the plate's own sources of uncertainty, beside those of :mod:`toeline.geometry.pose_fit`.
PRINT_SCALE, CARD_HEIGHT = "print scale", "card height"
_Z_UP = np.array([1.0, 1.0, -1.0])  # the camera looks along +z into the plate, the plate's own z comes up


@dataclass(frozen=True, slots=True)
class PrintScale:
    """How large the card came out of the printer: true length over designed length, with standard uncertainty."""

    value: float
    u: float
    measured: bool

    @property
    def quantity(self) -> Quantity:
        """For the result document."""
        return Quantity(value=self.value, U=2 * self.u, unit="1")


def print_scale(check_line_mm: float | None) -> PrintScale:
    """Print scale from the check line's measured length, or the allowance for a card nobody measured.

    Raises:
        CardError: a length that no printer makes of the check line.
    """
    allowed = CardFigures.read().print
    if check_line_mm is None:
        return PrintScale(1.0, allowed.u_unmeasured, measured=False)
    designed = card_spec().check_line
    low, high = allowed.scale_range
    value = check_line_mm / designed
    if not low <= value <= high:
        raise CardError(
            f"A check line of {check_line_mm:g} mm cannot be: it is drawn {designed:g} mm long, "
            "so measure it again from end tick to end tick, in mm."
        )
    u = np.hypot(allowed.u_reading, allowed.resolution / np.sqrt(12)) / designed
    return PrintScale(value, float(u), measured=True)


@dataclass(frozen=True, slots=True)
class Plate:
    """One plate's surface: a :class:`toeline.trace.band.SurfaceFrame`.

    ``thickness_mm`` is the card's height above the plate. ``modes``: label -> (M, 13), each row a step of the camera
    (5), the card's turn about the camera's axes (3) and place (3, card mm), the print scale and the thickness (mm),
    that one independent source makes when it is one standard uncertainty off.
    """

    has_scale: ClassVar[bool] = True
    card: FoundCard
    fit: CardFit
    card_pose: Pose
    print_scale: PrintScale
    thickness_mm: float
    modes: dict[str, F64]

    @property
    def which(self) -> Which:
        """The card that lies on this plate."""
        return self.card.which

    @property
    def card_middle(self) -> F64:
        """The middle (2,) of what is seen of the card, plate mm; that of the whole card may lie outside the picture,
        where a lens tells nothing."""
        return np.asarray(self.card.corners_mm.mean(axis=0) * self.print_scale.value)

    @property
    def camera(self) -> Camera:
        """The camera as the card refined it."""
        return self.fit.camera

    @property
    def pose(self) -> tuple[F64, F64]:
        """R (3, 3) and t (3,) in true mm: camera point = R (x, y, -z) + t for plate x, y, z."""
        R = self.card_pose.rotation
        return R, self.print_scale.value * self.card_pose.place + self.thickness_mm * R[:, 2]

    def to_mm(self, px: F64) -> F64:
        """Photo pixels (N, 2) to plate mm (N, 2); NaN where a pixel looks past the plate's horizon."""
        R, t = self.pose
        centre, along = -R.T @ t, rays(px, self.camera.parameters) @ R  # plate axes, z into the plate
        with np.errstate(divide="ignore", invalid="ignore"):
            far = -centre[2] / along[:, 2:]
            return np.asarray(np.where(far > 0, centre[:2] + far * along[:, :2], np.nan))

    def to_px(self, mm: F64) -> F64:
        """Plate mm (N, 2) to photo pixels (N, 2)."""
        return self.to_px_3d(_at_height(mm, 0.0))

    def to_px_3d(self, mm: F64) -> F64:
        """Points (N, 3) in mm of the plate frame, z up from the plate, to photo pixels (N, 2)."""
        R, t = self.pose
        return project(np.asarray(mm, float) * _Z_UP @ R.T + t, self.camera.parameters)

    def error_modes(self, px: F64) -> dict[str, F64]:
        """How each source of uncertainty moves the plate points under ``px`` (N, 2): label -> (M, N, 2) mm.

        Each of the M moves is made by one independent part of the source being one standard uncertainty off, so what is
        common to all points, as the print scale, stays common. Plates of one fit share the moves of their common labels
        one by one.
        """
        by_mm, by_step = self._derivatives(self.to_mm(px))
        moves = -np.linalg.solve(by_mm, by_step)
        return {label: np.einsum("nik,mk->mni", moves, rows) for label, rows in self.modes.items()}

    def _derivatives(self, mm: F64) -> tuple[F64, F64]:
        """Derivatives of the pixels by plate mm (N, 2, 2) and by the steps of ``modes`` (N, 2, 13)."""
        R, _ = self.pose
        scale = self.print_scale.value
        lever = np.concatenate([mm, np.full((len(mm), 1), self.thickness_mm)], axis=1) @ R.T
        place = self.card_pose.place
        _, by_turn, by_move, by_camera = project_with_derivatives(lever, scale * place, self.camera.parameters)
        parts = [by_camera, by_turn, scale * by_move, by_move @ place[:, None], by_move @ R[:, 2:]]
        return by_move @ R[:, :2], np.concatenate(parts, axis=2)

    def covariance_mm(self, px: F64) -> F64:
        """Covariance (N, 2, 2), mm², of the plate points under exactly known pixels."""
        modes = np.concatenate(list(self.error_modes(px).values()))
        return np.asarray(np.einsum("mni,mnj->nij", modes, modes))

    def mm_by_px(self, px: F64) -> F64:
        """Derivative (N, 2, 2) of plate mm by photo px: what a pixel's own uncertainty becomes."""
        return np.asarray(np.linalg.inv(self._derivatives(self.to_mm(px))[0]))

    def px_per_mm(self, mm: F64) -> Quantity:
        """Photo pixels per mm at a plate point (2,): the geometric mean over directions."""
        # a pixel's square and the area it covers on the plate
        px = self.to_px(np.asarray(mm, float)[None]) + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
        square = self.to_mm(px)
        effects = propagate(_px_per_mm, square, self.error_modes(px))["value"]
        return quantity(float(_px_per_mm(square[None])["value"][0]), rows_of(effects), "px/mm")

    @property
    def tilt(self) -> Quantity:
        """Angle between the lens axis and the plate's normal, with U; 0 is square on."""
        normal = self.card_pose.rotation[:, 2]
        sine = float(np.linalg.norm(normal[:2]))
        towards = normal[:2] / sine if sine > 0 else np.array([1.0, 0.0])

        def leans(normals: F64) -> dict[str, F64]:
            return {"value": np.degrees(np.arctan2(normals[:, :2] @ towards, normals[:, 2]))}

        turns = {label: np.cross(rows[:, 5:8], normal) for label, rows in self.modes.items()}
        effects = propagate(leans, normal, turns)["value"]
        return quantity(float(leans(normal[None])["value"][0]), rows_of(effects), "deg")

    @property
    def camera_centre_mm(self) -> F64:
        """The camera's centre (3,) in the plate frame, z up, true mm."""
        R, t = self.pose
        return np.asarray(-(R.T @ t) * _Z_UP)

    @property
    def tilt_deg(self) -> float:
        """Value of :attr:`tilt`, degrees."""
        return float(np.degrees(np.arccos(np.clip(self.card_pose.rotation[2, 2], -1.0, 1.0))))


@dataclass(frozen=True, slots=True)
class PixelFrame:
    """The surface of a photo without a card: one unit is ``unit_px`` pixels, and no millimetre is known.

    Implements :class:`toeline.trace.band.SurfaceFrame`; y down as in the photo.
    """

    has_scale: ClassVar[bool] = False
    unit_px: float

    def to_mm(self, px: F64) -> F64:
        """Photo pixels (N, 2) to units (N, 2)."""
        return np.asarray(px, float) / self.unit_px

    def to_px(self, mm: F64) -> F64:
        """Units (N, 2) to photo pixels (N, 2)."""
        return np.asarray(mm, float) * self.unit_px

    def error_modes(self, px: F64) -> dict[str, F64]:
        """Nothing: a pixel is where it is."""
        return {}


def plate_from_card(
    card: FoundCard, camera: Camera, check_line_mm: float | None = None, thickness_mm: float | None = None
) -> Plate:
    """The plate under one card.

    ``check_line_mm`` is the measured length of the card's check line, ``thickness_mm`` the paper's height above the
    plate, where the user knows them.

    Raises:
        CardError: the card's corners allow no pose, or a length that cannot be.
    """
    return plates_from_cards([card], camera, check_line_mm, thickness_mm)[0]


def plates_from_cards(
    cards: Sequence[FoundCard], camera: Camera, check_line_mm: float | None = None, thickness_mm: float | None = None
) -> tuple[Plate, ...]:
    """A plate per card, camera and all cards fitted together; every card from one print, so of one print scale.

    Raises:
        CardError: as :func:`plate_from_card`.
    """
    scale = print_scale(check_line_mm)
    fit = fit_cards(cards, camera)
    return tuple(_plate(card, fit, index, scale, thickness_mm) for index, card in enumerate(cards))


def _plate(card: FoundCard, fit: CardFit, index: int, scale: PrintScale, thickness_mm: float | None) -> Plate:
    usual = CardFigures.read().print
    measured = thickness_mm is not None
    thickness = thickness_mm if thickness_mm is not None else usual.thickness
    modes = {label: np.pad(rows, ((0, 0), (0, 2))) for label, rows in fit.modes_of(index).items()}
    modes[PRINT_SCALE] = np.eye(1, 13, 11) * scale.u
    modes[CARD_HEIGHT] = np.eye(1, 13, 12) * (usual.u_known_thickness if measured else usual.u_thickness)
    return Plate(card, fit, fit.poses[index], scale, thickness, modes)


def _at_height(mm: F64, z: float) -> F64:
    return np.concatenate([np.asarray(mm, float), np.full((len(mm), 1), z)], axis=1)


def _px_per_mm(square: F64) -> dict[str, F64]:
    """Pixels per mm (K,) from corner, right and lower neighbour (K, 3, 2) of one pixel, in plate mm."""
    (ax, ay), (bx, by) = ((square[:, k] - square[:, 0]).T for k in (1, 2))
    return {"value": np.abs(ax * by - ay * bx) ** -0.5}
