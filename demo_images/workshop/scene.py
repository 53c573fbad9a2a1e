"""Whole scenes: a plate on a bench with a bead, the reference card and the clutter of a workshop, seen by a phone."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import torch
import torch.nn.functional as F
from torch import Tensor

from .bead_shape import BeadPlan, Weld, any_plan, lay, lay_beside
from .clutter import mark, strew
from .light import Lights, among, any_lights, look_up, shade, tinted
from .looks import any_look
from .noise import Dice, cloud, smoothstep
from .phone import develop
from .surface import Surface, colour, dress, mix
from .surroundings import Surroundings, a_view

#: What the finder tells apart, in the order of its output channels.
KINDS = ("bead", "slag_covered", "rope", "rod", "painted_line", "card")
#: Maps that sit on the bead's face are read where the ray hits; the others where the plate's plane would be.
ON_FACE = ("pore", "crater", "crater_hollow", "crater_crack", "restart", "slag", "crest", "forward")
BAND_MAPS = (
    "face",
    "undercut",
    "undercut_deep",
    "spatter",
    "pore",
    "crater",
    "crater_hollow",
    "crater_crack",
    "restart",
    "overlap",
    "slag",
    "arc_strike",
    "crest",
    "forward",
)


def card_picture(px_per_mm: int = 10, which: str = "A") -> np.ndarray:
    """Reference card A or B as a grey picture, drawn from OpenCV's own marker generator."""
    w, h = round(85.6 * px_per_mm), round(53.98 * px_per_mm)
    card = np.full((h, w), 255, np.uint8)
    book = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    side = 15 * px_per_mm
    first = {"A": 0, "B": 4}[which]
    for ident, (x, y) in enumerate(((11.0, 11.0), (74.6, 11.0), (74.6, 42.98), (11.0, 42.98))):
        tag = cv2.aruco.generateImageMarker(book, first + ident, side)
        x0, y0 = round((x - 7.5) * px_per_mm), round((y - 7.5) * px_per_mm)
        card[y0 : y0 + side, x0 : x0 + side] = tag
    y = round(27 * px_per_mm)
    thick = max(round(0.25 * px_per_mm), 1)
    cv2.line(card, (round(17.8 * px_per_mm), y), (round(67.8 * px_per_mm), y), 0, thick)
    for x in (17.8, 67.8):
        cv2.line(card, (round(x * px_per_mm), y - 2 * px_per_mm), (round(x * px_per_mm), y + 2 * px_per_mm), 0, thick)
    for x, grey in ((34.8, 51), (42.8, 128), (50.8, 204)):
        cv2.rectangle(
            card, (round((x - 3) * px_per_mm), 35 * px_per_mm), (round((x + 3) * px_per_mm), 41 * px_per_mm), grey, -1
        )
    cv2.putText(
        card,
        f"CARD {which}",
        (round(36 * px_per_mm), 16 * px_per_mm),
        cv2.FONT_HERSHEY_SIMPLEX,
        0.1 * px_per_mm,
        0,
        thick,
    )
    return card


def place_card(
    dice: Dice,
    surface: Surface,
    card: Tensor,
    centre: Tensor,
    angle: Tensor,
    print_scale: Tensor,
    thickness: Tensor,
    fold: bool = False,
    picture_mm: tuple[float, float] = (85.6, 53.98),
) -> Tensor:
    """Lay the card (1,1,h,w grey 0..1) with its centre at (B,2) mm, turned by ``angle`` (B,); returns its mask.

    With ``fold`` the plates stand at 45 degrees to the grid, so t is shorter than the way on the plate.
    ``picture_mm`` is what the picture's pixels span, whole pixels from the card's top-left corner.
    """
    b, _, h, w = surface.height.shape
    dev = surface.height.device
    s = surface.s0 + surface.step * torch.arange(w, device=dev)
    t = surface.t0 - surface.step * torch.arange(h, device=dev)
    ds = s[None, None, :] - centre[:, 0, None, None]
    dt = t[None, :, None] * (math.sqrt(2) if fold else 1.0) - centre[:, 1, None, None]
    c, si = torch.cos(angle)[:, None, None], torch.sin(angle)[:, None, None]
    # Card x to the right and y down as printed: the plate is seen from above, so y runs against t.
    x = (c * ds + si * dt) / print_scale[:, None, None] + 42.8
    y = (si * ds - c * dt) / print_scale[:, None, None] + 26.99
    grid = torch.stack([x / picture_mm[0] * 2 - 1, y / picture_mm[1] * 2 - 1], -1)
    print_ = F.grid_sample(card.expand(b, -1, -1, -1), grid, align_corners=False, padding_mode="border")
    mask = ((x > 0) & (x < 85.6) & (y > 0) & (y < 53.98)).float()[:, None]
    paper = dice.uniform(0.55, 0.88, 1, 1, 1)
    ink = dice.uniform(0.03, 0.09, 1, 1, 1)
    tone = (ink + (paper - ink) * print_) * (1 + 0.01 * cloud(dice, h, w, 3, 1))
    surface.albedo = mix(surface.albedo, tone.expand(-1, 3, -1, -1), mask)
    surface.mirror = mix(surface.mirror, torch.full_like(surface.mirror, 0.035), mask)
    surface.rough = mix(surface.rough, torch.full_like(surface.rough, 0.6), mask)
    surface.height = mix(surface.height, thickness[:, None, None, None] + (surface.height if fold else 0 * mask), mask)
    return mask


def _axes(surface: Surface) -> tuple[Tensor, Tensor]:
    h, w = surface.height.shape[-2:]
    dev = surface.height.device
    s = surface.s0 + surface.step * torch.arange(w, device=dev)
    t = surface.t0 - surface.step * torch.arange(h, device=dev)
    return s[None, None, None, :], t[None, None, :, None]


def _stroke(
    dice: Dice, surface: Surface, middle: Tensor, angle: Tensor, length: Tensor, radius: Tensor, bend: Tensor
) -> tuple[Tensor, Tensor, Tensor]:
    """A gently bent stroke: mask, signed offset across in radii, distance along; all (B,1,h,w)."""
    s, t = _axes(surface)
    c, si = torch.cos(angle), torch.sin(angle)

    def v(x: Tensor) -> Tensor:
        return x[:, None, None, None]

    along = v(c) * (s - v(middle[:, 0])) + v(si) * (t - v(middle[:, 1]))
    across = -v(si) * (s - v(middle[:, 0])) + v(c) * (t - v(middle[:, 1])) - v(bend) * along**2
    inside = (along.abs() < v(length) / 2).float()
    u = across / v(radius)
    return (u.abs() < 1).float() * inside, u, along


def bench(dice: Dice, surface: Surface, plate: Tensor, drop: Tensor) -> None:
    """Lower everything outside the plate mask by ``drop`` (B,1,1,1) mm and give it a bench's looks."""
    d = dice
    h, w = surface.height.shape[-2:]
    step = surface.step

    def yes(p: float) -> Tensor:
        return d.chance(p, 1, 1, 1)

    ang = d.uniform(0, math.pi)
    from .noise import streaks

    wood = colour(d, (0.12, 0.07, 0.04), (0.42, 0.27, 0.15)) * (
        1 + 0.35 * streaks(d, h, w, ang, 3.0 / step, 120.0 / step) + 0.1 * cloud(d, h, w, 4, 2)
    )
    plain = colour(d, (0.02, 0.02, 0.02), (0.5, 0.5, 0.5)) * (
        1 + 0.25 * cloud(d, h, w, 5.0 / step, 4) * d.uniform(0, 1, 1, 1, 1) + 0.06 * cloud(d, h, w, 2, 1)
    )
    look = mix(plain, wood, yes(0.35))
    off = 1 - plate
    surface.albedo = mix(surface.albedo, look.clamp(0.005, 0.9), off)
    shine = mix(
        torch.full_like(surface.mirror, 0.03),
        colour(d, (0.05, 0.05, 0.05), (0.3, 0.3, 0.3)).expand_as(surface.mirror),
        yes(0.25),
    )
    surface.mirror = mix(surface.mirror, shine, off)
    surface.rough = mix(surface.rough, torch.full_like(surface.rough, 0.5), off)
    surface.height = mix(surface.height, -drop + 0.05 * cloud(d, h, w, 6.0 / step, 2), off)


@dataclass(slots=True)
class View:
    """A phone over the plate: eye (B,3) mm, targets on the plate's plane (B,H,W,3) for every pixel."""

    eye: Tensor
    target: Tensor


def look_at(eye: Tensor, aim: Tensor, roll: Tensor) -> Tensor:
    """Rotation (B,3,3) world (s, t, z up) to camera (x right, y down, z ahead)."""
    ahead = F.normalize(aim - eye, dim=-1)
    up = torch.zeros_like(eye)
    up[:, 1] = 1.0
    right = F.normalize(torch.linalg.cross(ahead, up), dim=-1)
    down = torch.linalg.cross(ahead, right)
    c, s = torch.cos(roll)[:, None], torch.sin(roll)[:, None]
    x, y = c * right + s * down, -s * right + c * down
    return torch.stack([x, y, ahead], 1)


def view_of(eye: Tensor, rotation: Tensor, focal_px: Tensor, width: int, height: int) -> View:
    """Targets on z = 0 for every pixel of a distortion-free camera."""
    dev = eye.device
    x = (torch.arange(width, device=dev) - (width - 1) / 2)[None, :].expand(height, width)
    y = (torch.arange(height, device=dev) - (height - 1) / 2)[:, None].expand(height, width)
    ray = torch.stack([x, y, torch.zeros_like(x)], -1)[None] / focal_px[:, None, None, None]
    ray = ray + torch.tensor([0, 0, 1.0], device=dev)
    world = torch.einsum("bhwc,bcd->bhwd", ray, rotation)
    reach = -eye[:, None, None, 2:3] / world[..., 2:3].clamp(max=-0.05)
    return View(eye, eye[:, None, None, :] + world * reach)


def cover_with_slag(dice: Dice, weld: Weld, surface: Surface, flag: Tensor) -> None:
    """Where ``flag`` (B,1,1,1) is 1 the bead still wears its slag: a dull, lumpy, brittle-looking coat."""
    d = dice
    h, w = surface.height.shape[-2:]
    grown = F.max_pool2d(weld.face, 5, 1, 2) if surface.step < 0.3 else weld.face
    k = max(int(3.0 / surface.step) | 1, 3)
    smooth = F.avg_pool2d(F.pad(surface.height, (k // 2,) * 4, mode="replicate"), k, 1)
    lumps = 0.25 * cloud(d, h, w, 3.0 / surface.step, 3) + 0.1 * cloud(d, h, w, 1.0 / surface.step, 2)
    here = grown * flag
    surface.height = mix(surface.height, smooth + 0.5 + lumps * d.uniform(0.3, 1.5, 1, 1, 1), here)
    coat = colour(d, (0.03, 0.03, 0.03), (0.26, 0.22, 0.18)) * (1 + 0.2 * cloud(d, h, w, 2.0 / surface.step, 3))
    surface.albedo = mix(surface.albedo, coat, here)
    surface.mirror = mix(surface.mirror, torch.full_like(surface.mirror, 0.05), here)
    surface.rough = mix(surface.rough, d.uniform(0.25, 0.75, 1, 1, 1).expand_as(surface.rough), here)


def decoy(dice: Dice, surface: Surface, flag: Tensor) -> None:
    """Where ``flag`` (B,1,1,1) is 1, mostly: a rod, a rope or a painted line along the view."""
    d = dice
    batch = d.batch
    size = surface.height.shape[-2:]
    middle = torch.stack([d.uniform(10, 45, 1)[:, 0], d.normal(1)[:, 0] * 6], -1)
    radius = d.log_uniform(1.5, 8, 1)[:, 0]
    m, u, along = _stroke(
        d, surface, middle, d.normal(1)[:, 0] * 0.08, d.uniform(30, 160, 1)[:, 0], radius, d.normal(1)[:, 0] * 0.0006
    )
    m = m * flag * d.chance(0.8, 1, 1, 1)

    def v(x: Tensor) -> Tensor:
        return x[:, None, None, None]

    flat, rope = d.chance(0.35, 1, 1, 1), d.chance(0.3, 1, 1, 1)
    twist = torch.cos(
        2 * math.pi * (along / (v(radius) * d.uniform(1, 2.6, 1, 1, 1)) + u * d.uniform(0.3, 0.8, 1, 1, 1))
    )
    body = v(radius) * (torch.sqrt((1 - u * u).clamp_min(0)) + 0.9 + 0.16 * twist * rope)
    surface.height = mix(surface.height, mix(body, surface.height, flat), m)
    tint = torch.rand((batch, 3, 1, 1), generator=d.generator, device=d.device) * 0.2 + d.uniform(0.02, 0.7, 1, 1, 1)
    tint = tint * (1 + 0.25 * twist * rope * (1 - flat) + 0.1 * cloud(d, size[0], size[1], 20, 3))
    metal = d.chance(0.4, 1, 1, 1) * (1 - flat) * (1 - rope)
    surface.albedo = mix(surface.albedo, tint.expand_as(surface.albedo).clamp(0.01, 0.95), m)
    surface.mirror = mix(surface.mirror, (0.04 + 0.45 * metal).expand_as(surface.mirror), m)
    surface.rough = mix(surface.rough, d.uniform(0.25, 0.7, 1, 1, 1).expand_as(surface.rough), m)


def scene_batch(
    seed: int,
    batch: int,
    device: str,
    size: int = 480,
    fillet: bool = False,
    surroundings: Surroundings | None = None,
    wild: int = 6,
) -> tuple[Tensor, Tensor]:
    """Photos of whole scenes (B,3,size,size) in 0..1 and what is where (B,6,size,size) by :data:`KINDS`.

    Of nine batches ``wild`` have looks as varied as real ones; close-ups, usual photos and far views take turns.
    """
    d = Dice(seed, batch, device)
    zoom = (0, 0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1, 1, 1, 1, 2, 2, 2, 2)[d.whole(20)]
    step, span = ((0.13, 130.0), (0.4, 400.0), (0.7, 700.0))[zoom]
    look = any_look(d) if d.whole(9) < wild else None
    s = torch.arange(0, span, step, device=device)
    wide = min(160.0 if zoom < 2 else 240.0, span) if fillet else span
    t = torch.arange(wide / 2, -wide / 2, -step, device=device)
    plan = any_plan(d, span)
    length = d.uniform(35, 170)
    plan.start = span / 2 - length / 2 + d.normal() * 6
    plan.end = plan.start + torch.maximum(length, 2.5 * plan.width)
    through = d.chance((0.6, 0.15, 0.05)[zoom])
    plan.start, plan.end = plan.start - 400 * through, plan.end + 400 * through
    bare = d.chance(0.18) * (0.0 if fillet else 1.0)
    if fillet:
        plan.width = plan.width.clamp(4, 14)
        plan.height = plan.height * d.uniform(-0.25, 0.5)
    plan.fillet = torch.full_like(plan.width, float(fillet))
    plan.width = torch.where(bare > 0, torch.full_like(plan.width, 1.0), plan.width)
    weld = lay(d, plan, s, t, look)
    # How much of the plate the picture spans, mm.
    cover = d.uniform(130, 330, 1)[:, 0]
    if zoom == 0:
        cover = (size * plan.width[:, 0, 0] / d.log_uniform(40, 260, 1)[:, 0]).clamp(18, 110)
    elif zoom == 2:
        cover = d.uniform(300, 620, 1)[:, 0]
    if not fillet and d.whole(4) == 0:
        lay_beside(d, plan, weld, s, t, look, 0.6, max(0.6, 1.5 * float(cover.median()) / size))
    has = 1 - bare[..., None]
    weld.face = weld.face * has
    weld.height = weld.height * has
    surface = dress(d, weld, s, t, d.chance(0.3, 1, 1, 1) * (0.0 if fillet else 1.0), look)
    slagged = d.chance(0.15, 1, 1, 1) * (0.0 if fillet else 1.0)
    cover_with_slag(d, weld, surface, slagged)
    kinds = torch.zeros((batch, len(KINDS), *surface.height.shape[-2:]), device=device)
    kinds[:, 0:1] = weld.maps["face"] * has * (1 - slagged)
    kinds[:, 1:2] = weld.maps["face"] * has * slagged

    # A second bead beside the first, now and then: the same relief seen shifted and turned.
    twin = d.chance(0.2, 1, 1, 1) * (0.0 if fillet or zoom == 0 else 1.0)
    turn = torch.where(d.chance(0.5, 1) > 0, d.normal(1) * 0.1, d.uniform(0, math.pi, 1))[:, 0]
    theta = torch.zeros((batch, 2, 3), device=device)
    theta[:, 0, 0], theta[:, 0, 1], theta[:, 1, 0], theta[:, 1, 1] = (
        torch.cos(turn),
        -torch.sin(turn),
        torch.sin(turn),
        torch.cos(turn),
    )
    theta[:, 1, 2] = torch.where(d.chance(0.5, 1) > 0, 1.0, -1.0)[:, 0] * d.uniform(0.12, 0.35, 1)[:, 0]
    pack = torch.cat([surface.height, surface.albedo, surface.mirror, surface.rough, kinds[:, :2]], 1)
    moved = F.grid_sample(
        pack, F.affine_grid(theta, list(pack.shape), align_corners=False), padding_mode="zeros", align_corners=False
    )
    there = (moved[:, 8:10].sum(1, keepdim=True) > 0.5).float() * (1 - weld.face) * twin
    surface.height = mix(surface.height, moved[:, 0:1], there)
    surface.albedo, surface.mirror = (
        mix(surface.albedo, moved[:, 1:4], there),
        mix(surface.mirror, moved[:, 4:7], there),
    )
    surface.rough = mix(surface.rough, moved[:, 7:8], there)
    kinds[:, :2] = torch.maximum(kinds[:, :2], moved[:, 8:10] * there)

    ss, tt = _axes(surface)

    def v(x: Tensor) -> Tensor:
        return x[:, None, None, None]

    mid = torch.stack([(plan.start + plan.end)[:, 0, 0] / 2, torch.zeros(batch, device=device)], -1)
    scale = span / 400
    # Chalk and marker strokes, painted lines, scribed lines on the plate.
    for k in range(3):
        want = d.chance(0.4 if k else 0.3, 1, 1, 1)
        radius = d.log_uniform(0.4, 2.0, 1)[:, 0] if k else d.log_uniform(2.0, 9, 1)[:, 0]
        m, u, _ = _stroke(
            d,
            surface,
            mid + d.normal(2) * 35 * scale,
            d.uniform(0, math.pi, 1)[:, 0],
            d.log_uniform(15, 220, 1)[:, 0],
            radius,
            d.normal(1)[:, 0] * 0.001,
        )
        m = m * want * (1 - (kinds[:, :2].sum(1, keepdim=True) > 0).float())
        painted = m * (0.85 + 0.3 * cloud(d, len(t), len(s), 3.0 / step, 2)).clamp(0.1, 1)
        paint = torch.rand((batch, 3, 1, 1), generator=d.generator, device=device) * d.uniform(0.1, 0.95, 1, 1, 1)
        surface.albedo, surface.mirror = (
            mix(surface.albedo, paint.expand_as(surface.albedo), painted),
            surface.mirror * (1 - 0.8 * painted),
        )
        if k == 0:
            kinds[:, 4:5] = torch.maximum(kinds[:, 4:5], m)
    if look is not None:
        for chance in (0.45, 0.25):
            bare_plate = 1 - (kinds[:, :2].sum(1, keepdim=True) > 0).float()
            mark(d, surface, bare_plate, chance, 8 * scale, 160 * scale)
    # Plate outline, bench below.
    lean = d.normal(1)[:, 0] * 0.12
    c, si = v(torch.cos(lean)), v(torch.sin(lean))
    x = c * (ss - v(mid[:, 0])) + si * tt
    y = -si * (ss - v(mid[:, 0])) + c * tt
    half_len = v((plan.end - plan.start)[:, 0, 0] / 2)

    def margin(low: float, high: float) -> Tensor:
        return d.uniform(low, high, 1, 1, 1)

    up, dn = (margin(30, 79), margin(30, 79)) if fillet else (margin(18, 150), margin(18, 150))
    le, ri = half_len + margin(-2, 70), half_len + margin(-2, 70)
    plate = ((x > -le) & (x < ri) & (y < up) & (y > -dn)).float()
    plate = torch.maximum(plate, d.chance(0.15, 1, 1, 1) * torch.ones_like(plate))
    if fillet:  # the two plates look different: each turns another way to the light, and has its own steel
        half = (tt > 0).float()
        one, other = d.uniform(0.6, 1.5, 3, 1, 1), d.uniform(0.6, 1.5, 3, 1, 1)
        bare_steel = 1 - weld.face
        surface.albedo = (surface.albedo * mix(one, other, half * bare_steel)).clamp(0.004, 0.95)
    drop = d.uniform(3, 14, 1, 1, 1)
    plate = torch.maximum(plate, through[..., None])
    bench(d, surface, plate, drop)
    kinds = kinds * plate
    # Rods, ropes and boxes lying about.
    for k in range(4):
        want = d.chance((0.35, 0.25, 0.18, 0.25)[k], 1, 1, 1) * (0.0 if fillet else 1.0)
        centre = mid + d.normal(2) * torch.tensor([60.0, 55.0], device=device) * scale
        radius = (d.uniform(1.2, 6, 1) if k != 3 else d.uniform(6, 30, 1))[:, 0]
        m, u, along = _stroke(
            d,
            surface,
            centre,
            d.uniform(0, math.pi, 1)[:, 0],
            d.log_uniform(25, 300, 1)[:, 0],
            radius,
            d.normal(1)[:, 0] * (0.0012 if k == 2 else 0.0),
        )
        busy = F.max_pool2d((kinds[:, :2].sum(1, keepdim=True) > 0.5).float(), 9, 1, 4)
        m = m * want * (1 - busy * d.chance(0.9, 1, 1, 1))
        base = torch.where(plate > 0.5, torch.zeros_like(plate), -drop)
        round_ = torch.sqrt((1 - u * u).clamp_min(0)) * v(radius) + v(radius)
        tint = torch.rand((batch, 3, 1, 1), generator=d.generator, device=device) * 0.15 + d.uniform(
            0.02, 0.55, 1, 1, 1
        )
        if k == 2:
            lay_len = v(radius) * d.uniform(1.0, 2.6, 1, 1, 1)
            twist = torch.cos(2 * math.pi * (along / lay_len + u * d.uniform(0.3, 0.8, 1, 1, 1)))
            round_ = round_ + 0.16 * v(radius) * twist
            tint = tint * (1 + 0.25 * twist)
        if k == 3:
            round_ = v(radius) * 0 + d.uniform(3, 12, 1, 1, 1)
        surface.height = mix(surface.height, (base + round_).clamp(max=14), m)
        surface.albedo = mix(
            surface.albedo,
            (tint * (1 + 0.08 * cloud(d, len(t), len(s), 3.0 / step, 2))).expand_as(surface.albedo),
            m,
        )
        metal = d.chance(0.4 if k < 2 else 0.0, 1, 1, 1)
        surface.mirror = mix(surface.mirror, (0.04 + 0.45 * metal).expand_as(surface.mirror), m)
        surface.rough = mix(surface.rough, d.uniform(0.25, 0.7, 1, 1, 1).expand_as(surface.rough), m)
        kinds = kinds * (1 - m)
        if k < 2:
            kinds[:, 3:4] = torch.maximum(kinds[:, 3:4], m)
        if k == 2:
            kinds[:, 2:3] = torch.maximum(kinds[:, 2:3], m)
    if look is not None:
        for chance in (0.35, 0.2):
            busy = F.max_pool2d((kinds[:, :2].sum(1, keepdim=True) > 0.5).float(), 9, 1, 4)
            kinds = kinds * (1 - strew(d, surface, 1 - busy * d.chance(0.9, 1, 1, 1), chance))
    # The card, beside the bead, rarely over it, sometimes absent.
    side = torch.where(d.chance(0.5, 1) > 0, 1.0, -1.0)[:, 0]
    angle = d.uniform(0, 2 * math.pi, 1)[:, 0]
    extent = 27 * torch.cos(angle).abs() + 43 * torch.sin(angle).abs()
    away = plan.width[:, 0, 0] / 2 + d.uniform(4, 25, 1)[:, 0] + extent
    present = d.chance((0.35, 0.75, 0.75)[zoom], 1)[:, 0]
    centre = torch.stack([mid[:, 0] + d.normal(1)[:, 0] * 18, side * away + (1 - present) * 900], -1)
    card = torch.from_numpy(card_picture()).to(device)[None, None].float() / 255
    card = F.avg_pool2d(card, 3)
    one = torch.ones(batch, device=device)
    mask = torch.zeros_like(plate)
    for flip in (1.0, -1.0) if fillet else (1.0,):
        spot = torch.stack([centre[:, 0] + (d.normal(1)[:, 0] * 12 if flip < 0 else 0), centre[:, 1] * flip], -1)
        mask = torch.maximum(
            mask, place_card(d, surface, card, spot, angle, one, d.uniform(0.1, 0.8, 1)[:, 0], fold=fillet)
        )
    kinds = kinds * (1 - mask)
    kinds[:, 5:6] = mask

    # The phone.
    tilt = d.uniform(0, 1, 1)[:, 0] ** 1.4 * (0.48 if fillet else 0.8)
    az = d.uniform(0, 2 * math.pi, 1)[:, 0]
    dist = d.uniform(*((90, 260), (170, 380), (320, 700))[zoom], 1)[:, 0]
    towards = (0.0 if zoom == 0 else 0.45) * present[:, None]
    aim3 = torch.cat(
        [
            mid
            + towards * (centre - mid)
            + d.normal(2) * torch.minimum(18 * torch.ones_like(cover), cover / 12)[:, None],
            torch.zeros((batch, 1), device=device),
        ],
        1,
    )
    eye = aim3 + dist[:, None] * torch.stack(
        [torch.sin(tilt) * torch.cos(az), torch.sin(tilt) * torch.sin(az), torch.cos(tilt)], -1
    )
    rotation = look_at(eye, aim3, d.uniform(0, 2 * math.pi, 1)[:, 0])
    if fillet:
        cover = cover.clamp(max=260 if zoom < 2 else 400)
    view = view_of(eye, rotation, size * dist / cover, size, size)
    lights = any_lights(d)
    if look is not None and surroundings is not None:
        lights = among(d, lights, surroundings)
    radiance, hit = shade(surface, view.target, eye, lights, steps=80 if fillet else 14)
    if look is not None:
        radiance = tinted(d, radiance)
    gloom = smoothstep(cloud(d, size, size, 200.0, 2) * 0.8 + d.uniform(0.2, 1.4, 1, 1, 1))
    radiance = radiance * mix(torch.ones_like(gloom), 0.35 + 0.65 * gloom, d.chance(0.3, 1, 1, 1))
    photo = develop(radiance, d, d.uniform(0.3, 0.9, 1)[:, 0])
    truth = look_up(surface, kinds, hit)
    if look is not None and surroundings is not None:
        elsewhere = d.chance(0.06, 1, 1, 1)
        photo, truth = mix(photo, a_view(d, surroundings, size).clamp(0, 1), elsewhere), truth * (1 - elsewhere)
    return photo, truth


def band_batch(
    seed: int,
    batch: int,
    device: str,
    size: tuple[int, int] = (320, 640),
    astray_mm: float = 5.0,
    step: float = 0.1,
    fillet: bool = False,
    surroundings: Surroundings | None = None,
    wild: int = 6,
) -> tuple[Tensor, Tensor]:
    """Straightened views (B,3,*size) at 1/step px per mm, and their truth maps (B,len(BAND_MAPS),*size).

    The bead lies up to ``astray_mm`` off the view's middle. Of nine batches ``wild`` have looks as
    varied as real ones.
    """
    d = Dice(seed, batch, device)
    look = any_look(d) if d.whole(9) < wild else None
    margin = 24
    rows, columns = size
    astray = (d.whole(2001) / 1000 - 1) * astray_mm
    s = torch.arange(columns + 2 * margin, device=device) * step
    t = ((rows - 1) / 2 + margin - torch.arange(rows + 2 * margin, device=device)) * step + astray
    plan = any_plan(d, float(s[-1]))
    if fillet:
        plan.width = plan.width.clamp(4, 14)
        plan.height = plan.height * d.uniform(-0.25, 0.5)
    plan.fillet = torch.full_like(plan.width, float(fillet))
    weld = lay(d, plan, s, t, look)
    if not fillet and d.whole(6) == 0:
        lay_beside(d, plan, weld, s, t, look, 0.7, 0.4)
    # Some views show no cleaned bead: a bare plate, a bead under slag, a rod, a rope, a painted line.
    what = d.uniform(0, 1, 1, 1, 1)
    slagged = ((what > 0.89) & (what < 0.93)).float()
    bare = (what >= 0.93).float()
    if not fillet:
        weld.height, weld.face = weld.height * (1 - bare), weld.face * (1 - bare)
        weld.slag, weld.crack, weld.pore = weld.slag * (1 - bare), weld.crack * (1 - bare), weld.pore * (1 - bare)
    surface = dress(d, weld, s, t, d.chance(0.3, 1, 1, 1) if not fillet else None, look)
    if look is not None:
        mark(d, surface, 1 - weld.face, 0.3, 5.0, 60.0)
    if not fillet:
        cover_with_slag(d, weld, surface, slagged)
        decoy(d, surface, bare)
        if look is not None:
            mark(d, surface, bare, 0.5, 15.0, 80.0)
            clear = 1 - strew(d, surface, torch.maximum(bare, 1 - F.max_pool2d(weld.face, 15, 1, 7)), 0.12, 6.0)
            weld.maps = {
                k: m * clear if k in ("spatter", "arc_strike", "undercut", "slag") else m for k, m in weld.maps.items()
            }
        keep = ("spatter", "arc_strike")
        weld.maps = {k: m if k in keep else m * (1 - bare) * (1 - slagged) for k, m in weld.maps.items()}
    cx = d.uniform(0, 1, 1)[:, 0] * float(s[-1])
    card_here = d.chance(0.45, 1)[:, 0]
    angle = d.uniform(0, 2 * math.pi, 1)[:, 0]
    extent = 27 * torch.cos(angle).abs() + 43 * torch.sin(angle).abs()
    side = torch.where(d.chance(0.5, 1) > 0, 1.0, -1.0)[:, 0]
    cy = side * (plan.width[:, 0, 0] / 2 + d.uniform(3, 22, 1)[:, 0] + extent) + (1 - card_here) * 900
    if not fillet:
        card = F.avg_pool2d(torch.from_numpy(card_picture()).to(device)[None, None].float() / 255, 1)
        mask = place_card(
            d,
            surface,
            card,
            torch.stack([cx, cy], -1),
            angle,
            torch.ones(batch, device=device),
            d.uniform(0.1, 0.4, 1)[:, 0],
        )
        mask = mask * (1 - weld.face)
        clear = 1 - mask
        for k in ("spatter", "undercut", "undercut_deep", "arc_strike", "slag"):
            weld.maps[k] = weld.maps[k] * clear
        edge = d.chance(0.25, 1, 1, 1)
        ss, tt = _axes(surface)
        line = tt * torch.where(d.chance(0.5, 1, 1, 1) > 0, 1.0, -1.0) + 0.15 * d.normal(1, 1, 1) * (ss - 25)
        plate = 1 - edge * (line > plan.width[..., None] / 2 + d.uniform(5, 18, 1, 1, 1)).float()
        bench(d, surface, torch.maximum(plate, weld.face), d.uniform(2, 12, 1, 1, 1))
        for k in ("spatter", "arc_strike", "slag", "undercut", "undercut_deep"):
            weld.maps[k] = weld.maps[k] * plate
    x = s[margin : margin + columns]
    y = t[margin : margin + rows]
    if fillet:
        # The band runs over both plates unfolded at the root: plate coordinate p sits at p·cos 45°, |p|·sin 45°.
        y_world, z = y * math.cos(math.pi / 4), y.abs() * math.sin(math.pi / 4)
    else:
        y_world, z = y, torch.zeros_like(y)
    target = torch.stack(
        [x[None].expand(rows, -1), y_world[:, None].expand(-1, columns), z[:, None].expand(-1, columns)], -1
    )[None].expand(batch, -1, -1, -1)
    tilt = d.uniform(0, 1, 1)[:, 0] ** 1.5 * (0.35 if fillet else 0.72)
    az = d.uniform(0, 2 * math.pi, 1)[:, 0]
    dist = d.uniform(150, 350, 1)[:, 0]
    shift = d.normal(2) * torch.tensor([45.0, 15.0 if fillet else 35.0], device=device)
    eye = torch.stack(
        [
            float(s[-1]) / 2 + shift[:, 0] + dist * torch.sin(tilt) * torch.cos(az),
            astray + shift[:, 1] + dist * torch.sin(tilt) * torch.sin(az),
            dist * torch.cos(tilt),
        ],
        -1,
    )
    lights = any_lights(d)
    if look is not None and surroundings is not None:
        lights = among(d, lights, surroundings)
    radiance, hit = shade(surface, target, eye, lights, shadow_steps=24, steps=40 if fillet else 14)
    if look is not None:
        radiance = tinted(d, radiance)
    focus = torch.where(d.chance(0.12, 1) > 0, d.uniform(1.4, 2.2, 1), d.uniform(0.45, 1.3, 1))[:, 0]
    photo = develop(radiance, d, focus, grain_px=1.0 + 1.2 * float(d.whole(3) > 0))
    if look is not None:  # a small photo, drawn larger
        coarse = F.interpolate(photo, scale_factor=1 / (2 + d.whole(2)), mode="area")
        coarse = F.interpolate(coarse, size=(rows, columns), mode="bicubic", align_corners=False).clamp(0, 1)
        photo = mix(photo, coarse, d.chance(0.12, 1, 1, 1))
    stacked = torch.cat([weld.maps[k] for k in BAND_MAPS], 1)
    flat = look_up(surface, stacked, target[..., :2])
    seen = look_up(surface, stacked, hit)
    pick = torch.tensor([1.0 if k in ON_FACE else 0.0 for k in BAND_MAPS], device=device)[None, :, None, None]
    truth = mix(flat, seen, pick)
    truth[:, BAND_MAPS.index("forward")] = 1.0
    # Half of them are seen with travel the other way, half mirrored.
    back, over = d.chance(0.5, 1, 1, 1), d.chance(0.5, 1, 1, 1)
    photo, truth = mix(photo, photo.flip(-1), back), mix(truth, truth.flip(-1), back)
    truth[:, BAND_MAPS.index("forward")] = (1 - back[:, 0]).expand(-1, rows, columns)
    photo, truth = mix(photo, photo.flip(-2), over), mix(truth, truth.flip(-2), over)
    return photo, truth.clamp(0, 1)


__all__ = ["BAND_MAPS", "KINDS", "BeadPlan", "Lights", "band_batch", "card_picture", "scene_batch"]
