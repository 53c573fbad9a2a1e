"""Two-plane geometry with exact numbers: cameras, plates and cards that are computed, not drawn."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.stats import chi2
from skimage.transform import ProjectiveTransform

import card_scene
import seen_photos
from fillet_beads import traced
from toeline.errors import CardError
from toeline.geometry.camera import camera_for
from toeline.geometry.card import FoundCard, card_spec, find_cards
from toeline.geometry.figures import CardFigures, FilletFigures
from toeline.geometry.fillet_frame import FilletFrame
from toeline.geometry.fillet_one_card import fillet_from_one_card
from toeline.geometry.fillet_two_cards import FilletError, fillet_from_cards
from toeline.geometry.ground import lay_ground
from toeline.geometry.optics import Camera, project, rays, rotation
from toeline.geometry.plate import Plate, plate_from_card
from toeline.measures.body import body_of
from toeline.measures.legs import (
    ONE_PLATE,
    measure_fillet,
    name_plates,
    plate_of,
    root_ends,
    sizes_along,
    throat_and_face,
    toe_problems,
    undersize_share,
)
from toeline.measures.registry import MEASURES, ids
from toeline.photo import read_photo
from toeline.pipeline import measure
from toeline.result import Indication, Settings
from toeline.trace.band import TracedBead
from toeline.uncertainty import correlated_noise

PAPER = 0.1
LEGS = np.array([[-30.0, 8.0], [0.0, 5.0], [40.0, 6.5], [-30.0, -6.0], [5.0, -9.0], [40.0, -7.0]])


@dataclass(frozen=True)
class Scene:
    """A joint of known angle before a known camera; surface coordinates have the root line's own origin."""

    camera: Camera
    angle: float
    axes: np.ndarray  # wedge to camera
    root: np.ndarray
    check_line: float
    card_turns: tuple[float, float]  # of each card in its plate, radians
    card_places: tuple[tuple[float, float], tuple[float, float]]  # along the root, away from it, of its middle

    def plate(self, index: int) -> np.ndarray:
        """Columns: along the root, card-down, into the plate, in the camera's frame."""
        c, s = np.cos(self.angle), np.sin(self.angle)
        own = np.eye(3) if index == 0 else np.array([[1.0, 0, 0], [0, -c, s], [0, -s, -c]]).T
        return self.axes @ own

    def points(self, mm: np.ndarray) -> np.ndarray:
        x, y = mm.T
        flat = [np.stack([x, y, 0 * x], -1) @ self.plate(k).T for k in (0, 1)]
        return np.where((y >= 0)[:, None], *flat) + self.root

    def to_px(self, mm: np.ndarray) -> np.ndarray:
        return project(self.points(mm), self.camera.parameters)

    def card(self, index: int, u_px: float = 0.1, stands_off: np.ndarray | float = 0.0) -> FoundCard:
        """Card A or B; ``stands_off`` (16,) mm is how far each corner stands off its plate besides the paper."""
        spec = card_spec()
        which = ("A", "B")[index]
        mm = np.concatenate([spec.corners(i) for i in spec.ids[which]])
        x, away = self.card_places[index]
        turned = self.plate(index) @ rotation(np.array([0.0, 0.0, self.card_turns[index]]))
        middle = np.array([spec.width, spec.height]) / 2
        off = np.full((len(mm), 1), -PAPER) - np.broadcast_to(stands_off, len(mm))[:, None]
        flat = np.concatenate([(mm - middle) * self.check_line / 50.0, off], axis=1)
        at = self.plate(index) @ [x, away if index == 0 else -away, 0.0] + self.root
        px = project(flat @ turned.T + at, self.camera.parameters)
        level = np.repeat(_unit(px.reshape(-1, 4, 2)[:, 1] - px.reshape(-1, 4, 2)[:, 0]), 4, axis=0)
        upright = np.repeat(_unit(px.reshape(-1, 4, 2)[:, 3] - px.reshape(-1, 4, 2)[:, 0]), 4, axis=0)
        sign = np.tile([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]], (len(px) // 4, 1))
        slope = np.stack([level * sign[:, :1], upright * sign[:, 1:]], axis=-1)
        covariance = np.tile(np.eye(2) * u_px**2, (len(px), 1, 1))
        return FoundCard(which, spec.ids[which], px, mm, covariance, slope, np.zeros(2), np.eye(2) * 0.01)

    def frame(self, *cards: FoundCard, said: float | None = None) -> FilletFrame:
        cards = cards or (self.card(0), self.card(1))
        return fillet_from_cards(cards, self.camera, self.check_line, PAPER, said)


def _unit(v: np.ndarray) -> np.ndarray:
    return v / np.linalg.norm(v, axis=-1, keepdims=True)


def scene(
    angle_deg: float = 90.0,
    view: float = 0.5,
    along: float = 0.0,
    roll: float = 0.0,
    distance: float = 250.0,
    focal: float = 3000.0,
    lens: float = 0.0,
    check_line: float = 49.6,
    turns: tuple[float, float] = (0.3, -2.0),
    places: tuple[tuple[float, float], tuple[float, float]] = ((-10.0, 50.0), (15.0, 45.0)),
) -> Scene:
    """The camera looks at the root from ``view`` of the angle between the plates, ``along`` tips it along the root."""
    angle = np.radians(angle_deg)
    towards = np.array([np.sin(along), *(np.cos(along) * np.array([np.cos(view * angle), -np.sin(view * angle)]))])
    forward = -towards
    right = _unit(np.cross([0.0, 1.0, 1.0], forward))
    looking = np.stack([right, np.cross(forward, right), forward])  # rows: the camera's axes in the wedge
    looking = rotation(np.array([0.0, 0.0, roll])) @ looking
    spread = np.diag([0.03 * focal, 8.0, 8.0, 0.02, 0.01]) ** 2
    camera = Camera(np.array([focal, 1995.0, 1510.0, lens, -lens / 3]), spread, 4000, 3000, "exif")
    return Scene(camera, angle, looking, -looking @ towards * distance, check_line, turns, places)


angles = st.floats(0.0, 2 * np.pi)
card_places = st.tuples(st.floats(-30.0, 30.0), st.floats(45.0, 65.0))
scenes = st.builds(
    scene,
    angle_deg=st.floats(60.0, 120.0),
    view=st.floats(0.35, 0.65),
    along=st.floats(-0.4, 0.4),
    roll=angles,
    distance=st.floats(200.0, 400.0),
    focal=st.floats(2000.0, 5000.0),
    lens=st.floats(-0.04, 0.04),
    check_line=st.floats(48.0, 51.0),
    turns=st.tuples(angles, angles),
    places=st.tuples(
        st.tuples(st.floats(-30.0, 30.0), st.floats(45.0, 65.0)),
        st.tuples(st.floats(-30.0, 30.0), st.floats(45.0, 65.0)),
    ),
)
modest = settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@modest
@given(scenes)
def test_plates_angle_and_legs_are_recovered_to_rounding(joint: Scene) -> None:
    frame = joint.frame()
    assert frame.joint_angle_deg == pytest.approx(np.degrees(joint.angle), abs=1e-6)
    found = frame.to_mm(joint.to_px(LEGS))
    assert found[:, 1] == pytest.approx(LEGS[:, 1], abs=1e-6)
    assert np.diff(found[:, 0]) == pytest.approx(np.diff(LEGS[:, 0]), abs=1e-6)
    assert frame.to_px(found) == pytest.approx(joint.to_px(LEGS), abs=1e-6)
    middles = np.array([p[0] for p in joint.card_places])
    assert LEGS[0, 0] - found[0, 0] == pytest.approx(middles.mean(), abs=1e-6)


@modest
@given(scenes)
def test_the_plate_frame_is_card_a_as_printed(joint: Scene) -> None:
    frame = joint.frame()
    card = joint.card(0)
    on_plate = frame.to_plate(frame.to_mm(joint.to_px(LEGS)))
    assert on_plate[:3, 2] == pytest.approx(0.0, abs=1e-6)
    assert on_plate[3:, 2] == pytest.approx(-LEGS[3:, 1] * np.sin(joint.angle), abs=1e-6)
    # the plate under a corner of card A, looked for by its true place on the card
    above = np.concatenate([card.corners_mm * joint.check_line / 50.0, np.full((16, 1), PAPER)], axis=1)
    seen = project((above * [1, 1, -1]) @ frame.base_rotation.T + frame.base_place, frame.wedge.camera)
    assert seen == pytest.approx(card.corners_px, abs=1e-6)


@pytest.mark.parametrize("angle", [60.0, 90.0, 115.0])
def test_errors_are_as_large_as_the_covariance_says(angle: float) -> None:
    """Normalised squared error of legs and angle against chi-square, all inputs drawn from their stated spread."""
    rng = np.random.default_rng(7)
    ours = np.array([[0.0, 7.0], [0.0, -6.0]])
    total, draws = 0.0, 25
    for _ in range(draws):
        joint = scene(angle, view=0.45, along=0.2, roll=1.0, turns=(0.2, 0.9))
        px = joint.to_px(ours)
        cards = []
        for k in (0, 1):
            card = joint.card(k, stands_off=rng.normal(0, FilletFigures.read().cards.u_flat_mm, 16))
            noise = np.linalg.cholesky(card.covariance_px) @ rng.standard_normal((16, 2, 1))
            shrunk = card.gain_slope @ rng.normal(0, 0.7, 2)
            cards.append(replace(card, corners_px=card.corners_px + noise[..., 0] - shrunk))
        believed = joint.camera.parameters + np.linalg.cholesky(joint.camera.covariance) @ rng.standard_normal(5)
        frame = fillet_from_cards(cards, replace(joint.camera, parameters=believed), joint.check_line, PAPER)
        parts = frame.error_modes(px)
        measured = ("corners", "focal length", "lens")
        modes = np.concatenate(
            [np.concatenate([parts[m][:, :, 1], frame.joint_angle_modes[m][:, None]], axis=1) for m in measured]
        )
        error = np.append(frame.to_mm(px)[:, 1] - ours[:, 1], frame.joint_angle_deg - angle)
        total += float(error @ np.linalg.solve(modes.T @ modes, error))
    low, high = chi2.ppf([0.001, 0.999], 3 * draws)
    assert low < total < high


@pytest.mark.parametrize(("source", "scale", "height"), [("print scale", 1.0, 0.0), ("card height", 0.0, 1.0)])
def test_print_scale_and_paper_move_the_legs_as_stated(source: str, scale: float, height: float) -> None:
    joint = scene()
    px = joint.to_px(LEGS)
    frame = joint.frame()
    part = frame.error_modes(px)[source][0]  # what both cards share
    step = 1e-3
    moved = fillet_from_cards(
        (joint.card(0), joint.card(1)), joint.camera, joint.check_line + 50 * scale * step, PAPER + height * step
    )
    u = np.hypot(0.04, 0.05 / np.sqrt(12)) / 50.0 if source == "print scale" else 0.02
    assert (moved.to_mm(px) - frame.to_mm(px)) / step * u == pytest.approx(part, abs=2e-3 * np.abs(part).max())


@modest
@given(scenes)
def test_an_independent_library_sees_the_same_planes(joint: Scene) -> None:
    """Pose from scikit-image's homography by the plane decomposition of Zhang (2000), section 3.1."""
    frame = joint.frame()
    normals = []
    for k in (0, 1):
        card = joint.card(k)
        ideal = rays(card.corners_px, joint.camera.parameters)[:, :2]
        fit = ProjectiveTransform.from_estimate(card.corners_mm, ideal)
        h = fit.params * np.sign(fit.params[2, 2])
        normals.append(_unit(np.cross(h[:, 0], h[:, 1])))
    into_a, into_b = normals
    assert frame.wedge.axes[:, 2] == pytest.approx(into_a, abs=1e-6)
    assert frame.joint_angle_deg == pytest.approx(180.0 - np.degrees(np.arccos(into_a @ into_b)), abs=1e-5)


def test_a_pixel_that_meets_no_plate_has_no_place() -> None:
    frame = scene(angle_deg=115.0).frame()
    away = rotation(np.radians(100.0) * frame.wedge.axes[:, 0])
    turned = replace(frame, wedge=replace(frame.wedge, axes=away @ frame.wedge.axes, root=away @ frame.wedge.root))
    far = np.array([[2000.0, -20000.0], [-20000.0, 1500.0], [2000.0, 24000.0], [24000.0, 1500.0]])
    assert 0 < np.isnan(turned.to_mm(far)).any(axis=1).sum() < 4
    assert np.isfinite(frame.to_mm(far)).all()


def test_the_surface_is_whole_across_the_root() -> None:
    frame = scene(angle_deg=75.0).frame()
    across = np.stack([np.full(9, 3.0), np.linspace(-0.4, 0.4, 9)], axis=-1)
    assert frame.to_mm(frame.to_px(across)) == pytest.approx(across, abs=1e-8)


def test_both_cards_on_one_plate_is_refused() -> None:
    with pytest.raises(FilletError, match="one plane"):
        scene(angle_deg=179.0).frame()


def test_cards_on_the_outside_of_a_corner_are_refused() -> None:
    joint = scene(angle_deg=300.0, view=0.5, places=((-10.0, 50.0), (15.0, 45.0)))
    with pytest.raises(FilletError, match="away from each other"):
        joint.frame()


def test_one_letter_twice_or_missing_is_refused() -> None:
    joint = scene()
    a, b = joint.card(0), joint.card(1)
    with pytest.raises(FilletError, match="Card A is in the picture twice") as told:
        joint.frame(a, replace(b, which="A"))
    assert told.value.problem.code == "fillet_cards"
    with pytest.raises(FilletError, match="Only card A"):
        joint.frame(a)
    with pytest.raises(FilletError, match="Only card B"):
        joint.frame(b)


def test_plates_that_meet_outside_the_picture_are_refused() -> None:
    joint = scene(distance=300.0)
    away = replace(joint, camera=replace(joint.camera, width=100, height=80))
    with pytest.raises(FilletError, match="do not meet in the picture"):
        away.frame()


def test_a_bent_card_is_reported() -> None:
    joint = scene()
    a, b = joint.card(0), joint.card(1)
    lifted = b.corners_px.copy()
    lifted[:4] += [3.0, -4.0]
    codes = [p.code for p in joint.frame(a, replace(b, corners_px=lifted)).problems]
    assert codes == ["card_not_flat"]
    lifted[:4] += [12.0, -16.0]
    assert "card_bent" in [p.code for p in joint.frame(a, replace(b, corners_px=lifted)).problems]
    assert joint.frame().problems == ()


def waved(joint: Scene, how: str, mm: float) -> np.ndarray:
    """How far each corner (16,) of a card stands off: its ends bent up, or its corners twisted, by ``mm``."""
    spec = card_spec()
    x, y = ((joint.card(1).corners_mm / [spec.width, spec.height]) * 2 - 1).T
    return mm * (x**2 if how == "bent" else x * y)


@pytest.mark.parametrize(("how", "mm", "most"), [("bent", 0.3, 0.3), ("twisted", 0.3, 0.15), ("twisted", 0.6, 0.3)])
def test_a_little_wave_of_the_paper_does_little_to_the_legs(how: str, mm: float, most: float) -> None:
    """Paper waves by some tenths of a mm (common practice): the legs must not follow it tenfold."""
    joint = scene()
    frame = joint.frame(joint.card(0), joint.card(1, stands_off=waved(joint, how, mm)))
    px = joint.to_px(LEGS)
    off = frame.to_mm(px)[:, 1] - LEGS[:, 1]
    assert np.abs(off).max() < most
    assert np.abs(off).max() < 2 * np.sqrt(frame.covariance_mm(px)[:, 1, 1]).min()


@pytest.mark.parametrize(("how", "mm"), [("bent", 1.0), ("bent", 3.0), ("twisted", 1.0), ("twisted", 3.0)])
def test_a_card_that_does_not_lie_flat_is_reported(how: str, mm: float) -> None:
    joint = scene()
    codes = [p.code for p in joint.frame(joint.card(0), joint.card(1, stands_off=waved(joint, how, mm))).problems]
    assert set(codes) & {"card_not_flat", "card_bent"}


def test_a_joint_off_its_stated_angle_is_reported() -> None:
    joint = scene(angle_deg=84.0)
    (told,) = joint.frame(said=90.0).problems
    assert told.code == "joint_angle"
    assert "84.0" in told.text
    assert joint.frame(said=84.0).problems == ()
    assert joint.frame().problems == ()


def test_a_card_that_opencvs_plane_solver_divides_by_zero_on() -> None:
    joint = scene(
        60.0, roll=0.5, distance=200.0, focal=2000.0, check_line=48.0, turns=(0, 0), places=((0, 45), (0, 45))
    )
    assert joint.frame().joint_angle_deg == pytest.approx(60.0, abs=1e-6)


def fillet_in(joint: Scene, frame: FilletFrame, base: np.ndarray, upright: np.ndarray, travel: int = 1) -> TracedBead:
    """A traced bead with these legs every 0.25 mm, its first station at one end of it."""
    s = np.arange(len(base)) * 0.25
    x = travel * (s - s.mean())
    on_base, on_upright = (
        frame.to_mm(joint.to_px(np.stack([x, y], axis=-1))) for y in (np.asarray(base), -np.asarray(upright))
    )
    left, right = (on_upright, on_base) if travel > 0 else (on_base, on_upright)
    return traced(frame, s, left, right, u=1e-6)


@modest
@given(scenes, st.sampled_from([1, -1]))
def test_legs_throat_and_face_are_what_was_built(joint: Scene, travel: int) -> None:
    frame = joint.frame()
    n = 320
    base = 6.0 + 0.8 * np.sin(np.arange(n) / 30.0)
    upright = np.full(n, 7.5)
    bead = fillet_in(joint, frame, base, upright, travel)
    assert plate_of(frame, bead) == (
        {"left": "upright", "right": "base"} if travel > 0 else {"left": "base", "right": "upright"}
    )
    found = measure_fillet(frame, bead)
    first, last = body_of(bead)
    body = (bead.s >= first) & (bead.s <= last)
    across = np.stack([base * np.cos(0) - upright * np.cos(joint.angle), upright * np.sin(joint.angle)])
    face = np.linalg.norm(across, axis=0)
    throat = 2 * (base * upright * np.sin(joint.angle) / 2) / face  # twice the triangle's area over its third side
    for name, true in (("leg_base", base), ("leg_upright", upright), ("throat", throat), ("face_width", face)):
        assert found[name].value == pytest.approx(true[body].mean(), abs=1e-5)
        assert found[name].U > 0
        if name == "face_width":
            continue
        assert found[f"{name}_min"].value == pytest.approx(true[body].min(), abs=1e-4)
        assert found[f"{name}_max"].value == pytest.approx(true[body].max(), abs=1e-4)
        assert found[f"{name}_sd"].value == pytest.approx(true[body].std(), abs=1e-4)
    assert found["leg_base_min_at"].value == pytest.approx(bead.s[body][base[body].argmin()], abs=0.3)
    assert found["leg_inequality"].value == pytest.approx(abs(base[body].mean() - 7.5), abs=1e-5)
    assert found["joint_angle"].value == pytest.approx(np.degrees(joint.angle), abs=1e-6)
    assert {name: q.unit for name, q in found.items()} == {name: MEASURES[name].unit for name in ids(["legs"])}


def test_throat_of_known_triangles() -> None:
    """A right isosceles fillet's throat is its leg over the square root of 2 (trade arithmetic: a = 0.707 z); an
    equilateral triangle's height is its side times half the square root of 3 (Euclid)."""
    throat, face = throat_and_face(np.array([6.0, 10.0]), np.array([6.0, 10.0]), np.radians([90.0, 60.0]))
    assert throat == pytest.approx([6 / np.sqrt(2), 5 * np.sqrt(3)])
    assert face == pytest.approx([6 * np.sqrt(2), 10.0])


def test_noise_of_the_toes_does_not_shrink_the_least_leg() -> None:
    joint = scene()
    frame = joint.frame()
    rng = np.random.default_rng(3)
    n, u = 400, 0.15
    off = []
    for _ in range(8):
        bead = fillet_in(joint, frame, np.full(n, 6.0), np.full(n, 6.0))
        noise = [correlated_noise(bead.s, np.full(n, u), 1.0, 1, rng)[0] for _ in range(2)]
        bead = replace(bead, t_left=bead.t_left + noise[0], t_right=bead.t_right + noise[1])
        least = measure_fillet(frame, replace(bead, u_left=np.full(n, u), u_right=np.full(n, u)))["leg_base_min"]
        off.append((least.value - 6.0) / least.U)
    assert np.abs(off).max() < 1.0  # half of what noise takes off the least is given back; the rest is inside U


def test_undersize_share_counts_the_short_stations() -> None:
    joint = scene()
    frame = joint.frame()
    base = np.where(np.arange(400) < 200, 5.0, 7.0)
    bead = fillet_in(joint, frame, base, np.full(400, 8.0))
    first, last = body_of(bead)
    body = (bead.s >= first) & (bead.s <= last)
    share = undersize_share(frame, bead, 6.0)
    assert share.value == pytest.approx((base[body] < 6.0).mean())
    assert share.U == 0.0
    assert undersize_share(frame, bead, 4.0).value == 0.0
    assert undersize_share(frame, bead, 9.0).value == 1.0
    close = undersize_share(frame, bead, 7.01)
    assert pytest.approx((base[body] == 7.0).mean()) == close.U


@pytest.mark.parametrize("angle", [60.0, 90.0, 118.0])
def test_undersize_share_by_the_throat_counts_where_the_throat_is_short(angle: float) -> None:
    """The throat is twice the area of the legs' triangle over its third side (Euclid); legs of 5 and 7 mm and 8 mm."""
    joint = scene(angle_deg=angle)
    frame = joint.frame()
    thin = np.arange(400) < 150
    bead = fillet_in(joint, frame, np.where(thin, 5.0, 7.0), np.full(400, 8.0))
    first, last = body_of(bead)
    body = (bead.s >= first) & (bead.s <= last)
    low, high = (
        leg * 8.0 * np.sin(joint.angle) / np.sqrt(leg**2 + 64.0 - 16.0 * leg * np.cos(joint.angle))
        for leg in (5.0, 7.0)
    )
    between = undersize_share(frame, bead, (low + high) / 2, "throat")
    assert (between.value, between.U) == (pytest.approx(thin[body].mean()), 0.0)
    assert undersize_share(frame, bead, low - 0.5, "throat").value == 0.0
    assert undersize_share(frame, bead, high + 0.5, "throat").value == 1.0
    close = undersize_share(frame, bead, high + 0.001, "throat")
    assert (close.value, close.U) == (1.0, pytest.approx((~thin[body]).mean()))


def test_a_throat_may_do_where_a_leg_is_short() -> None:
    joint = scene()
    frame = joint.frame()
    bead = fillet_in(joint, frame, np.full(300, 6.0), np.full(300, 9.0))
    assert undersize_share(frame, bead, 7.0).value == 1.0
    assert undersize_share(frame, bead, 7.0 * np.sqrt(0.5), "throat").value == 0.0  # 4.99 mm against 4.95


@pytest.mark.parametrize("travel", [1, -1])
def test_sizes_along_the_weld_are_what_was_built(travel: int) -> None:
    joint = scene(angle_deg=100.0)
    frame = joint.frame()
    base, upright = 6.0 + 0.8 * np.sin(np.arange(320) / 30.0), np.full(320, 7.5)
    bead = fillet_in(joint, frame, base, upright, travel)
    along = sizes_along(frame, bead)
    first, last = body_of(bead)
    body = (bead.s >= first) & (bead.s <= last)
    throat, _ = throat_and_face(base, upright, joint.angle)
    for name, true in (("leg_base", base), ("leg_upright", upright), ("throat", throat)):
        assert along[name][body] == pytest.approx(true[body], abs=1e-5)
    assert all(np.isnan(values[~body]).all() for values in along.values())
    mean = measure_fillet(frame, fillet_in(joint, frame, np.full(320, 6.0), upright))["throat"]
    even = sizes_along(frame, fillet_in(joint, frame, np.full(320, 6.0), upright))["throat_U"]
    assert np.nanmedian(even) == pytest.approx(mean.U, rel=0.1)  # what is common to all stations is common to the mean


def test_sizes_along_are_empty_where_both_toes_lie_on_one_plate() -> None:
    joint = scene()
    frame = joint.frame()
    bead = fillet_in(joint, frame, np.full(300, 6.0), np.full(300, 5.0))
    assert sizes_along(frame, replace(bead, t_left=bead.t_right - 2.0)) == {}


def test_a_bead_traced_on_the_base_plate_alone_is_looked_up_anew() -> None:
    joint = scene(angle_deg=100.0)
    frame = joint.frame()
    plate = plate_from_card(joint.card(0), joint.camera, joint.check_line, PAPER)
    bead = fillet_in(joint, frame, np.full(300, 6.0), np.full(300, 5.0))
    on_plate = _on(plate, bead)
    found = measure_fillet(frame, on_plate)
    assert found["leg_base"].value == pytest.approx(6.0, abs=0.02)
    assert found["leg_upright"].value == pytest.approx(5.0, abs=0.02)


def _on(plate: Plate, bead: TracedBead) -> TracedBead:
    """The same toes as seen on the base plate, with a seam midway between them."""
    left, right = (plate.to_mm(bead.frame.to_px(toe)) for toe in (bead.left_toe, bead.right_toe))
    middle = (left + right) / 2
    along = _unit(middle[-1] - middle[0])
    to_left = np.array([along[1], -along[0]])
    seam = middle[0] + np.outer((middle - middle[0]) @ along, along)
    band = replace(bead.band, s=bead.s, seam=seam, left=np.tile(to_left, (len(bead.s), 1)))
    t_left, t_right = ((toe - seam) @ to_left for toe in (left, right))
    return replace(bead, frame=plate, band=band, t_left=t_left, t_right=t_right)


def test_both_toes_on_one_plate_gives_no_legs_but_the_angle() -> None:
    joint = scene()
    frame = joint.frame()
    bead = fillet_in(joint, frame, np.full(300, 6.0), np.full(300, 5.0))
    found = measure_fillet(frame, replace(bead, t_left=bead.t_right - 2.0))
    assert found["leg_base"].why == ONE_PLATE
    assert found["leg_base"].value is None
    assert found["joint_angle"].known
    assert plate_of(frame, replace(bead, t_left=bead.t_right - 2.0)) == {}


def test_a_toe_that_lies_on_neither_plate_names_none() -> None:
    """As where the plates were mistaken and a toe's line of sight meets none of them."""
    joint = scene()
    frame = joint.frame()
    bead = fillet_in(joint, frame, np.full(300, 6.0), np.full(300, 5.0))
    assert plate_of(frame, replace(bead, t_left=np.full(300, np.nan))) == {}


def test_indications_name_the_plate_of_their_side() -> None:
    joint = scene()
    frame = joint.frame()
    bead = fillet_in(joint, frame, np.full(300, 6.0), np.full(300, 5.0), travel=-1)
    seen = (Indication(kind="undercut", side="left", confidence=0.9), Indication(kind="pore", confidence=0.9))
    assert [i.plate for i in name_plates(frame, bead, seen)] == ["base", None]


def test_a_face_seen_flatly_is_reported() -> None:
    level = scene(view=0.5)
    low = scene(view=0.97)
    told = []
    for joint in (level, low):
        frame = joint.frame()
        told.append(toe_problems(frame, fillet_in(joint, frame, np.full(300, 3.0), np.full(300, 9.0))))
    assert told[0] == ()
    assert [p.code for p in told[1]] == ["toe_hidden"]
    assert "the toe on the base plate" in told[1][0].text  # seen from above, down along the upright
    flat = scene(view=0.03)
    frame = flat.frame()
    (told_flat,) = toe_problems(frame, fillet_in(flat, frame, np.full(300, 9.0), np.full(300, 3.0)))
    assert "the toe on the upright" in told_flat.text


@pytest.mark.parametrize("index", [0, 1])
@pytest.mark.parametrize("angle", [70.0, 90.0, 110.0])
def test_one_card_and_a_stated_angle_give_both_legs(index: int, angle: float) -> None:
    joint = scene(angle)
    plate = plate_from_card(joint.card(index), joint.camera, joint.check_line, PAPER)
    root = joint.to_px(np.array([[-35.0, 0.0], [35.0, 0.0]]))
    frame = fillet_from_one_card(plate, root, angle)
    found = frame.to_mm(joint.to_px(LEGS))
    assert found == pytest.approx(LEGS, abs=1e-6)
    bead = fillet_in(joint, joint.frame(), np.full(300, 6.0), np.full(300, 5.0))
    one, two = measure_fillet(frame, bead), measure_fillet(bead.frame, bead)
    assert one["leg_base"].value == pytest.approx(6.0, abs=1e-4)
    assert one["leg_upright"].value == pytest.approx(5.0, abs=1e-4)
    for name in ("leg_base", "leg_upright"):
        assert one[name].U > 3 * two[name].U
    assert "stated" in one["joint_angle"].why


def test_stated_angle_and_root_move_the_legs_as_the_budget_says() -> None:
    joint = scene()
    plate = plate_from_card(joint.card(0), joint.camera, joint.check_line, PAPER)
    ends = np.array([[-35.0, 0.0], [35.0, 0.0]])
    px = joint.to_px(LEGS)
    at = fillet_from_one_card(plate, joint.to_px(ends), 90.0)
    off = fillet_from_one_card(plate, joint.to_px(ends + np.array([0.0, 0.01])), 90.0)
    moves = at.error_modes(px)["root line"].sum(axis=0) * 0.01 / 0.75
    assert off.to_mm(px)[:, 1] - at.to_mm(px)[:, 1] == pytest.approx(moves[:, 1], abs=1e-4)
    wider = fillet_from_one_card(plate, joint.to_px(ends), 90.01)
    assert wider.to_mm(px) - at.to_mm(px) == pytest.approx(at.error_modes(px)["stated angle"][0] * 0.01, abs=1e-5)


def test_one_card_refuses_what_cannot_be() -> None:
    joint = scene()
    plate = plate_from_card(joint.card(0), joint.camera, joint.check_line, PAPER)
    root = joint.to_px(np.array([[-35.0, 0.0], [35.0, 0.0]]))
    with pytest.raises(CardError, match="no fillet"):
        fillet_from_one_card(plate, root, 10.0)
    with pytest.raises(CardError, match="do not lie apart"):
        fillet_from_one_card(plate, root[[0, 0]], 90.0)


def test_the_root_shows_at_the_ends_of_the_weld() -> None:
    joint = scene()
    frame = joint.frame()
    taper = np.minimum(np.minimum(np.arange(300), np.arange(300)[::-1]) / 20.0, 1.0)
    bead = fillet_in(joint, frame, 6.0 * taper, 5.0 * taper)
    assert frame.to_mm(root_ends(bead))[:, 1] == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(("slip", "told"), [(0.0, 0), (2.5, 1), (30.0, 0)])
def test_a_folding_cards_crease_checks_its_halves(slip: float, told: int) -> None:
    """Card B above card A on one sheet, folded along the root: both halves level, their edges half the gap from it."""
    half = CardFigures.read().folding.gap / 2 + card_spec().height / 2
    check = 50.0
    places = ((0.0, half - PAPER), (slip, half - PAPER))
    joint = scene(turns=(0.0, 0.0), places=places, check_line=check)
    codes = [p.code for p in joint.frame().problems]
    assert codes == ["fillet_cards"] * told


def photo_of_two_cards(tilts: tuple[float, float]) -> bytes:
    """A drawn photo of card A below and card B above it, each turned about the picture's level axis, degrees."""
    ground = None
    for which, tilt, y in (("A", tilts[0], 34.0), ("B", tilts[1], -34.0)):
        turn = float(np.radians(tilt))
        view = card_scene.View(turn=(turn, 0.0, 0.0), at=(0.0, y * np.cos(turn), 210.0 + y * np.sin(turn)))
        ground = card_scene.draw(view, which, ground=ground, seed=3)
    return seen_photos.jpeg(np.repeat(ground[..., None], 3, axis=2), 28)


@pytest.mark.parametrize(
    ("tilts", "says"),
    [((8.0, 8.0), "nearly one plane"), ((45.0, -45.0), "look away from each other"), ((-45.0, 45.0), None)],
)
def test_what_two_cards_in_a_photo_make(tilts: tuple[float, float], says: str | None) -> None:
    """Both on one plate, on the outside of a corner, and as they should lie: from the photo, through every stage."""
    photo = read_photo(photo_of_two_cards(tilts), "cards.jpg")
    cards = find_cards(photo)
    assert {card.which for card in cards} == {"A", "B"}
    camera = camera_for(photo)
    if says is None:
        ground = lay_ground(photo, cards, Settings(joint="fillet"), None)
        assert ground.fillet.joint_angle_deg == pytest.approx(90.0, abs=2.0)
        # one fit: the scale is told from the very pose that the legs are
        assert ground.plate.camera.parameters.tolist() == ground.fillet.wedge.camera.tolist()
        assert ground.plate.pose[0].tolist() == ground.fillet.base_rotation.tolist()
        return
    with pytest.raises(FilletError, match=says):
        fillet_from_cards(cards, camera)
    result = measure(photo_of_two_cards(tilts), joint="fillet")
    assert "fillet_cards" in {problem.code for problem in result.photo.problems}
    assert result.measures["leg_base"].value is None
