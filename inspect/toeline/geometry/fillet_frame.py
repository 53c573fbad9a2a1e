"""A fillet's two plates unfolded at the root line, as one flat surface with millimetre coordinates."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from toeline.geometry.optics import F64, project, project_with_derivatives, rays
from toeline.geometry.plate import Plate
from toeline.result import Problem
from toeline.uncertainty import propagate


@dataclass(frozen=True, slots=True)
class Wedge:
    """Two half planes that meet at the root line, in the camera's frame.

    ``camera`` (5,) as in :class:`toeline.geometry.optics.Camera`. ``axes`` (3, 3) holds as columns: along the root;
    on the base plate away from the root; into the base plate. ``root`` (3,) mm is the origin, on the root line;
    ``angle`` (radians) lies between the plates on the weld's side. Its unknowns (12,) are, in this order: camera 5,
    turn about the camera's axes 3, root 3, angle 1.
    """

    camera: F64
    axes: F64
    root: F64
    angle: float

    def points(self, mm: F64) -> F64:
        """Surface coordinates (N, 2) to points (N, 3) of the camera's frame."""
        return self._inside(mm) @ self.axes.T + self.root

    def derivatives(self, mm: F64) -> tuple[F64, F64]:
        """Derivatives of the pixels by surface coordinates (N, 2, 2) and by the wedge's unknowns (N, 2, 12)."""
        x, y = np.asarray(mm, float).T
        upright = y < 0
        cos, sin = np.cos(self.angle), np.sin(self.angle)
        along = np.zeros((len(x), 3, 2))
        along[:, 0, 0] = 1.0
        along[:, 1, 1] = np.where(upright, -cos, 1.0)
        along[:, 2, 1] = np.where(upright, sin, 0.0)
        opening = np.zeros((len(x), 3, 1))
        opening[:, 1, 0] = np.where(upright, y * sin, 0.0)
        opening[:, 2, 0] = np.where(upright, y * cos, 0.0)
        lever = self._inside(mm) @ self.axes.T
        _, by_turn, by_move, by_camera = project_with_derivatives(lever, self.root, self.camera)
        by_wedge = [by_camera, by_turn, by_move, by_move @ (self.axes @ opening)]
        return by_move @ (self.axes @ along), np.concatenate(by_wedge, axis=2)

    def less(self, other: Wedge) -> F64:
        """The step (12,) of the unknowns that leads from ``other`` to this wedge close by."""
        turned = _small_turn(self.axes @ other.axes.T)
        opened = np.array([self.angle - other.angle])
        return np.concatenate([self.camera - other.camera, turned, self.root - other.root, opened])

    def _inside(self, mm: F64) -> F64:
        x, y = np.asarray(mm, float).T
        upright = y < 0
        away = np.where(upright, -y * np.cos(self.angle), y)
        return np.stack([x, away, np.where(upright, y * np.sin(self.angle), 0.0)], axis=-1)


def modes_of_wedge(wedge: Callable[[F64], Wedge], modes: Mapping[str, F64]) -> dict[str, F64]:
    """Carry modes, label -> (M, n), of the step (n,) that ``wedge`` is a smooth function of over to the wedge.

    The result, label -> (M, 12), is of the wedge's unknowns.
    """
    (n,) = {rows.shape[1] for rows in modes.values()}
    at = wedge(np.zeros(n))
    moved = propagate(lambda steps: {"wedge": np.stack([wedge(step).less(at) for step in steps])}, np.zeros(n), modes)
    return moved["wedge"]


def _small_turn(matrix: F64) -> F64:
    """Rotation vector (3,) of a rotation matrix (3, 3) that turns little; exact to the third order."""
    return np.asarray([matrix[2, 1] - matrix[1, 2], matrix[0, 2] - matrix[2, 0], matrix[1, 0] - matrix[0, 1]]) / 2


@dataclass(frozen=True, slots=True)
class FilletFrame:
    """Surface frame of a fillet: both plates unfolded at the root line, true mm.

    Implements :class:`toeline.trace.band.SurfaceFrame`.
    x runs along the root line, y is the distance from it on the plates: positive on the base plate, negative on the
    upright. Seen from the camera, y is turned from x the way y is from x on a plate, so "left" means the same. The
    origin lies on the root line beside the cards. ``modes``: label -> (M, 12), each row a step of the wedge's unknowns
    that one independent source makes when it is one standard uncertainty off. ``plate`` is that of the card it
    was made from, of two cards card A's. ``base_rotation`` (3, 3) and ``base_place`` (3,) are the base plate's own
    frame: camera point = R (x, y, -z) + t. ``angle_said`` tells that the joint angle was stated by the user, not
    measured.
    """

    has_scale: ClassVar[bool] = True
    wedge: Wedge
    modes: Mapping[str, F64]
    plate: Plate
    base_rotation: F64
    base_place: F64
    angle_said: bool = False
    problems: tuple[Problem, ...] = ()

    @property
    def joint_angle_deg(self) -> float:
        """Angle between the plates on the weld's side, degrees."""
        return float(np.degrees(self.wedge.angle))

    @property
    def joint_angle_modes(self) -> dict[str, F64]:
        """Label -> (M,): what each mode does to the joint angle, degrees."""
        return {label: np.degrees(rows[:, -1]) for label, rows in self.modes.items()}

    def to_px(self, mm: F64) -> F64:
        """Surface coordinates (N, 2) to photo pixels (N, 2), each projected from its own plate."""
        return project(self.wedge.points(mm), self.wedge.camera)

    def to_mm(self, px: F64) -> F64:
        """Photo pixels (N, 2) to surface coordinates (N, 2) on the plate that the line of sight meets first.

        NaN where it meets neither.
        """
        wedge = self.wedge
        sight = rays(px, wedge.camera) @ wedge.axes
        eye = -wedge.axes.T @ wedge.root
        cos, sin = np.cos(wedge.angle), np.sin(wedge.angle)
        found = np.full((len(sight), 2), np.nan)
        nearest = np.full(len(sight), np.inf)
        for into, away, sign in (
            (np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 0.0]), 1.0),
            (np.array([0.0, -sin, -cos]), np.array([0.0, cos, -sin]), -1.0),
        ):
            with np.errstate(divide="ignore", invalid="ignore"):
                reach = -(eye @ into) / (sight @ into)
                hit = eye + reach[:, None] * sight
                here = (reach > 0) & (hit @ away >= -1e-9) & (reach < nearest)
            found[here] = np.stack([hit[here, 0], sign * (hit[here] @ away)], axis=-1)
            nearest[here] = reach[here]
        return found

    def to_plate(self, mm: F64) -> F64:
        """Surface coordinates (N, 2) to the base plate's frame (N, 3): x right, y down as card A, z up, mm."""
        return np.asarray((self.wedge.points(mm) - self.base_place) @ self.base_rotation) * [1.0, 1.0, -1.0]

    def error_modes(self, px: F64) -> dict[str, F64]:
        """How each source of uncertainty moves the surface points under ``px`` (N, 2): label -> (M, N, 2) mm.

        Each move is made by one independent part of the source, so what is common to all points stays common.
        """
        by_mm, by_wedge = self.wedge.derivatives(self.to_mm(px))
        moves = -np.linalg.solve(by_mm, by_wedge)
        return {label: np.einsum("nik,mk->mni", moves, rows) for label, rows in self.modes.items()}

    def covariance_mm(self, px: F64) -> F64:
        """Covariance (N, 2, 2), mm², of the surface points under exactly known pixels."""
        modes = np.concatenate(list(self.error_modes(px).values()))
        return np.asarray(np.einsum("mni,mnj->nij", modes, modes))

    def mm_by_px(self, px: F64) -> F64:
        """Derivative (N, 2, 2) of surface mm by photo px: what a pixel's own uncertainty becomes."""
        return np.asarray(np.linalg.inv(self.wedge.derivatives(self.to_mm(px))[0]), float)
