"""What else lies in a workshop's photos: hands, tools, nuts, cables, writing; none of it is a bead."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache

import cv2
import numpy as np
import torch
import torch.nn.functional as F
from numpy.typing import NDArray
from torch import Tensor

from .noise import Dice, cloud
from .surface import Surface, colour, mix

_SIDE = 192
Canvas = NDArray[np.uint8]
Rng = np.random.Generator


def _line(canvas: Canvas, points: list[tuple[float, float]], thick: float) -> None:
    """A bent bar through points given in shares of the side."""
    at = np.round(np.array(points) * _SIDE).astype(np.int32).reshape(-1, 1, 2)
    cv2.polylines(canvas, [at], isClosed=False, color=255, thickness=max(round(thick * _SIDE), 1), lineType=cv2.LINE_AA)


def _hand(canvas: Canvas, rng: Rng) -> None:
    """A hand and some of its arm, fingers spread or together."""
    palm = (0.5, 0.5)
    cv2.circle(
        canvas, (round(palm[0] * _SIDE), round(palm[1] * _SIDE)), round(rng.uniform(0.11, 0.15) * _SIDE), 255, -1
    )
    fan = rng.uniform(0.15, 0.35)
    for k in range(4):
        a = (k - 1.5) * fan + rng.normal(0, 0.05)
        long = rng.uniform(0.2, 0.32)
        root = (palm[0] + 0.09 * math.sin(1.6 * a), palm[1] - 0.09)
        _line(canvas, [root, (root[0] + long * math.sin(a), root[1] - long * math.cos(a))], rng.uniform(0.05, 0.07))
    a = rng.uniform(0.8, 1.4)
    _line(canvas, [palm, (palm[0] - 0.27 * math.sin(a), palm[1] - 0.27 * math.cos(a))], 0.07)
    _line(canvas, [palm, (palm[0] + rng.normal(0, 0.1), 1.1)], rng.uniform(0.14, 0.24))


def _arm(canvas: Canvas, rng: Rng) -> None:
    """A sleeve, a leg or a hose: wide and long."""
    _line(
        canvas,
        [(rng.uniform(0, 1), -0.1), (rng.uniform(0.3, 0.7), 0.5), (rng.uniform(0, 1), 1.1)],
        rng.uniform(0.1, 0.4),
    )


def _hammer(canvas: Canvas, rng: Rng) -> None:
    _line(canvas, [(0.5, 0.95), (0.5, 0.2)], rng.uniform(0.05, 0.09))
    _line(canvas, [(0.5 - rng.uniform(0.15, 0.3), 0.2), (0.5 + rng.uniform(0.1, 0.25), 0.2)], rng.uniform(0.1, 0.16))


def _pliers(canvas: Canvas, rng: Rng) -> None:
    gape = rng.uniform(0.03, 0.2)
    for side in (-1, 1):
        _line(canvas, [(0.5 + side * (0.03 + gape), 0.97), (0.5 + side * (0.06 + gape / 2), 0.65), (0.5, 0.42)], 0.06)
        _line(canvas, [(0.5, 0.42), (0.5 - side * gape / 3, 0.1)], 0.07)


def _wrench(canvas: Canvas, rng: Rng) -> None:
    _line(canvas, [(0.5, 0.85), (0.5, 0.15)], rng.uniform(0.05, 0.1))
    for y in (0.1, 0.9):
        centre = (round(0.5 * _SIDE), round(y * _SIDE))
        cv2.circle(canvas, centre, round(rng.uniform(0.08, 0.12) * _SIDE), 255, -1)
        cv2.circle(canvas, centre, round(0.045 * _SIDE), 0, -1)


def _brush(canvas: Canvas, rng: Rng) -> None:
    _line(canvas, [(0.5, 0.95), (0.5, 0.5)], 0.09)
    for x in np.linspace(0.42, 0.58, 14):
        _line(canvas, [(x, 0.5), (x + rng.normal(0, 0.02), 0.12)], 0.008)


def _nuts(canvas: Canvas, rng: Rng) -> None:
    for _ in range(rng.integers(1, 6)):
        centre = tuple(np.round(rng.uniform(0.1, 0.9, 2) * _SIDE).astype(int).tolist())
        r = round(rng.uniform(0.03, 0.09) * _SIDE)
        cv2.circle(canvas, centre, r, 255, -1)
        cv2.circle(canvas, centre, round(r * rng.uniform(0, 0.6)), 0, -1)


def _cable(canvas: Canvas, rng: Rng) -> None:
    x = np.linspace(-0.1, 1.1, 40)
    y = 0.5 + 0.25 * np.sin(x * rng.uniform(2, 9) + rng.uniform(0, 6)) * rng.uniform(0.2, 1)
    _line(canvas, list(zip(x.tolist(), y.tolist(), strict=True)), rng.uniform(0.015, 0.06))


def _plate(canvas: Canvas, rng: Rng) -> None:
    """A name plate, a block, an off-cut."""
    low, high = rng.uniform(0.02, 0.35, 2), rng.uniform(0.65, 0.98, 2)
    corners = np.round(np.array([low, high]) * _SIDE).astype(int).tolist()
    cv2.rectangle(canvas, tuple(corners[0]), tuple(corners[1]), 255, -1)


def _writing(canvas: Canvas, rng: Rng) -> None:
    letters = "".join(rng.choice(list("0123456789ABCDEFGHKMNOPRSTXZ.-/?")) for _ in range(rng.integers(2, 7)))
    font = int(rng.choice([cv2.FONT_HERSHEY_SIMPLEX, cv2.FONT_HERSHEY_SCRIPT_SIMPLEX, cv2.FONT_HERSHEY_DUPLEX]))
    cv2.putText(
        canvas, letters, (6, round(0.6 * _SIDE)), font, rng.uniform(0.9, 2.2), 255, int(rng.integers(2, 8)), cv2.LINE_AA
    )


def _strokes(canvas: Canvas, rng: Rng) -> None:
    """Parallel strokes close together, straight or bent: chatter of a tool, hatching, a comb, a file."""
    bend, lean = rng.normal(0, 0.15), rng.normal(0, 0.1)
    for y in np.arange(0.05, 0.95, rng.uniform(0.025, 0.1)):
        _line(canvas, [(0.32, y + lean), (0.5, y + bend), (0.68, y - lean)], rng.uniform(0.006, 0.03))


_SOLID: tuple[Callable[[Canvas, Rng], None], ...] = (
    _hand, _hand, _arm, _hammer, _pliers, _wrench, _brush, _nuts, _cable, _plate,
)  # fmt: skip
_FLAT: tuple[Callable[[Canvas, Rng], None], ...] = (_writing, _writing, _strokes)


@cache
def _shapes(kinds: tuple[Callable[[Canvas, Rng], None], ...], each: int, device: str) -> Tensor:
    """Outlines and how high each stands (N, 2, side, side), 0..1, always the same."""
    rng = np.random.default_rng(7)
    out = []
    for draw in kinds:
        for _ in range(each):
            canvas = np.zeros((_SIDE, _SIDE), np.uint8)
            draw(canvas, rng)
            depth = cv2.distanceTransform((canvas > 127).astype(np.uint8), cv2.DIST_L2, 3)
            out.append(np.stack([canvas / 255.0, np.sqrt(depth / max(float(depth.max()), 1e-6))]))
    return torch.from_numpy(np.stack(out).astype(np.float32)).to(device)


def _thrown(dice: Dice, shapes: Tensor, surface: Surface, low: float, high: float) -> Tensor:
    """One shape for each of the batch somewhere on the surface, ``low`` to ``high`` mm large (B, 2, h, w)."""
    d = dice
    h, w = surface.height.shape[-2:]
    at = (d.uniform(0, 1, 1)[:, 0] * len(shapes)).long()
    s = surface.s0 + surface.step * torch.arange(w, device=d.device)
    t = surface.t0 - surface.step * torch.arange(h, device=d.device)
    x = s[None, None, :] - (surface.s0 + d.uniform(0.1, 0.9) * surface.step * w)
    y = t[None, :, None] - (surface.t0 - d.uniform(0.1, 0.9) * surface.step * h)
    a, size = d.uniform(0, 2 * math.pi), d.log_uniform(low, high) / 2
    grid = torch.stack([(torch.cos(a) * x + torch.sin(a) * y) / size, (torch.cos(a) * y - torch.sin(a) * x) / size], -1)
    return F.grid_sample(shapes[at], grid, padding_mode="zeros", align_corners=False)


def strew(dice: Dice, surface: Surface, free: Tensor, chance: float, tallest: float = 13.0) -> Tensor:
    """Throw a hand, a tool or the like down where ``free`` (B, 1, h, w) is 1, on a share ``chance`` of the batch.

    Returns where it lies (B, 1, h, w).
    """
    d = dice
    h, w = surface.height.shape[-2:]
    shape = _thrown(d, _shapes(_SOLID, 8, str(d.device)), surface, 40.0, 320.0)
    mask = (shape[:, :1] > 0.5).float() * free * d.chance(chance, 1, 1, 1)
    skin = colour(d, (0.16, 0.08, 0.05), (0.62, 0.40, 0.30))
    cloth = torch.rand((d.batch, 3, 1, 1), generator=d.generator, device=d.device) ** 2 * 0.7 + 0.02
    steel = colour(d, (0.03, 0.03, 0.03), (0.2, 0.2, 0.2))
    kind = d.uniform(0, 1, 1, 1, 1)
    tint = torch.where(kind < 0.4, skin, torch.where(kind < 0.7, cloth, steel))
    tint = tint * (1 + 0.12 * cloud(d, h, w, 3.0 / surface.step, 4))
    surface.albedo = mix(surface.albedo, tint.clamp(0.004, 0.95), mask)
    shine = torch.where(kind < 0.7, 0.03 * torch.ones_like(kind), d.uniform(0.1, 0.5, 1, 1, 1))
    surface.mirror = mix(surface.mirror, shine.expand_as(surface.mirror), mask)
    surface.rough = mix(surface.rough, d.uniform(0.25, 0.7, 1, 1, 1).expand_as(surface.rough), mask)
    surface.height = mix(surface.height, surface.height + shape[:, 1:] * d.uniform(1, tallest, 1, 1, 1), mask)
    return mask


def mark(dice: Dice, surface: Surface, free: Tensor, chance: float, low: float = 12.0, high: float = 120.0) -> Tensor:
    """Writing, strokes and tool marks on the plate where ``free`` (B, 1, h, w) is 1; where they are (B, 1, h, w)."""
    d = dice
    shape = _thrown(d, _shapes(_FLAT, 16, str(d.device)), surface, low, high)
    mask = shape[:, :1] * free * d.chance(chance, 1, 1, 1)
    ink = torch.rand((d.batch, 3, 1, 1), generator=d.generator, device=d.device) ** 2 * 0.8 + 0.02
    scratched = d.chance(0.4, 1, 1, 1)
    cover = mask * d.uniform(0.3, 1.0, 1, 1, 1)
    surface.albedo = mix(surface.albedo, mix(ink, surface.albedo * 1.3, scratched), cover)
    surface.mirror = mix(surface.mirror, mix(0.04 * torch.ones_like(ink), 1.4 * surface.mirror, scratched), cover)
    surface.height = surface.height - scratched * mask * d.uniform(-0.05, 0.12, 1, 1, 1)
    return mask
