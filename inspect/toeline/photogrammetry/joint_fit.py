"""Both cards of a fillet as one rigid pair: all photos fitted together, for the cards do not move between them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.optimize import least_squares

from toeline.geometry.card import FoundCard
from toeline.geometry.figures import CardFigures
from toeline.geometry.optics import project, rotation
from toeline.geometry.plate import Plate
from toeline.geometry.pose_fit import Pose, first_poses
from toeline.photogrammetry.figures import ReliefFigures
from toeline.trace.band import F64


@dataclass(frozen=True, slots=True)
class Joint:
    """Where the plates meet, in card A's plate frame: a point (3,) of the root line, and unit vectors (3,) away from it
    on the base plate and on the upright."""

    root: F64
    away: F64
    upright: F64


def fit_pair(cards: Mapping[int, Sequence[FoundCard]], plates: Mapping[int, Plate]) -> tuple[dict[int, Plate], Joint]:
    """Card A's plate as each photo shows it, and the joint; ``plates`` are those of card A, fitted without that
    knowledge, and all of one camera; every photo shows card A, one at least card B."""
    photos = sorted(plates)
    seen = [(k, card) for k, nth in enumerate(photos) for card in cards[nth]]
    first = plates[photos[0]]
    flat = [np.concatenate([card.corners_mm, np.zeros((len(card.corners_mm), 1))], axis=1) for _, card in seen]
    rule = ReliefFigures.read().joint
    roots = [
        np.linalg.cholesky(np.linalg.inv(card.covariance_px + rule.u_corner_px**2 * np.eye(2))).transpose(0, 2, 1)
        for _, card in seen
    ]
    camera = first.camera
    prior = np.linalg.cholesky(np.linalg.inv(camera.covariance)).T
    gain_weight = 1.0 / CardFigures.read().find.u_gain_px
    n = len(photos)

    def parts(x: F64) -> tuple[F64, list[Pose], Pose, F64]:
        views = [Pose(rotation(v[:3]), v[3:]) for v in x[5 : 5 + 6 * n].reshape(n, 6)]
        pair = x[5 + 6 * n : 11 + 6 * n]
        return x[:5], views, Pose(rotation(pair[:3]), pair[3:]), x[11 + 6 * n :].reshape(-1, 2)

    def residuals(x: F64) -> F64:
        lens, views, pair, gains = parts(x)
        out = [prior @ (lens - camera.parameters), gain_weight * gains.ravel()]
        for (k, card), points, root, gain in zip(seen, flat, roots, gains, strict=True):
            at = points if card.which == "A" else pair.of(points)
            px = project(views[k].of(at), lens)
            seen_px = card.corners_px + card.gain_slope @ (gain - card.ink_gain_px)
            out.append((root @ (px - seen_px)[..., None]).ravel())
        return np.concatenate(out)

    start = [camera.parameters]
    start += [np.concatenate([_vector(plates[k].card_pose.rotation), plates[k].card_pose.place]) for k in photos]
    start += [_pair_seen(seen, plates, photos)]
    start += [card.ink_gain_px for _, card in seen]
    lens, views, pair, _ = parts(least_squares(residuals, np.concatenate(start), x_scale="jac", loss="soft_l1").x)
    fitted = replace(first.fit, camera=replace(camera, parameters=lens))
    out = {nth: replace(plates[nth], fit=fitted, card_pose=view) for nth, view in zip(photos, views, strict=True)}
    return out, _joint(pair, first, seen)


def _vector(turn: F64) -> F64:
    return np.asarray(cv2.Rodrigues(turn)[0], float).ravel()


def _pair_seen(seen: Sequence[tuple[int, FoundCard]], plates: Mapping[int, Plate], photos: Sequence[int]) -> F64:
    """Where card B lies from card A, as the photo that shows both first has it."""
    k, card = next((k, card) for k, card in seen if card.which == "B")
    plate = plates[photos[k]]
    a = plate.card_pose
    # of the two poses that a flat target allows, the one that stands more nearly square to the base plate
    b = min(first_poses(card, plate.camera), key=lambda pose: abs(float(pose.rotation[:, 2] @ a.rotation[:, 2])))
    return np.concatenate([_vector(a.rotation.T @ b.rotation), a.rotation.T @ (b.place - a.place)])


def _joint(pair: Pose, plate: Plate, seen: Sequence[tuple[int, FoundCard]]) -> Joint:
    scale, up = plate.print_scale.value, np.array([1.0, 1.0, -1.0])
    middle_a = np.append(np.mean([c.corners_mm.mean(axis=0) for _, c in seen if c.which == "A"], axis=0), 0.0)
    middle_b = np.append(np.mean([c.corners_mm.mean(axis=0) for _, c in seen if c.which == "B"], axis=0), 0.0)
    # in card A's axes with z into the plate, true mm, the plates a paper's thickness below their cards
    normal = pair.rotation[:, 2]
    b = scale * pair.of(middle_b[None])[0] + plate.thickness_mm * normal
    a = scale * middle_a + [0.0, 0.0, plate.thickness_mm]
    into = np.array([0.0, 0.0, 1.0])
    along = np.cross(into, normal)
    along /= np.linalg.norm(along)
    root = np.linalg.solve(np.stack([into, normal, along]), [into @ a, normal @ b, along @ (a + b) / 2])

    def square(to: F64) -> F64:
        off = to - root
        off = off - (off @ along) * along
        return np.asarray(off / np.linalg.norm(off))

    # the plate frame: z up from the plate
    return Joint((root - [0.0, 0.0, plate.thickness_mm]) * up, square(a) * up, square(b) * up)
