"""Materials: steel plates and what lies on them, weld metal, slag, rust, heat tint; as maps over the relief's grid."""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
import torch.nn.functional as F
from torch import Tensor

from .bead_shape import Weld
from .looks import Look, Stuff, face_look, plate_look, toe_bands
from .noise import Dice, cloud, rotated, smoothstep, streaks


@dataclass(slots=True)
class Surface:
    """A relief ready to be lit: height (B,1,h,w) mm, diffuse and mirror colours (B,3,h,w), roughness (B,1,h,w)."""

    height: Tensor
    albedo: Tensor
    mirror: Tensor
    rough: Tensor
    s0: float
    t0: float
    step: float


def mix(a: Tensor, b: Tensor, share: Tensor) -> Tensor:
    """a where share is 0, b where it is 1."""
    return a + (b - a) * share


def colour(dice: Dice, low: tuple[float, float, float], high: tuple[float, float, float]) -> Tensor:
    """A random RGB colour between two (B, 3, 1, 1), drawn along the line with a little scatter."""
    lo = torch.tensor(low, device=dice.device)[None, :, None, None]
    hi = torch.tensor(high, device=dice.device)[None, :, None, None]
    return (lo + (hi - lo) * dice.uniform(0, 1, 1, 1, 1)) * (1 + 0.05 * dice.normal(3, 1, 1))


def toe_distance(weld: Weld, s: Tensor, t: Tensor) -> Tensor:
    """Rough distance (B,1,h,w) mm from the bead's outline, negative inside."""
    tt = t[None, None, :, None]
    across = torch.maximum(tt - weld.left[:, :, None, :], weld.right[:, :, None, :] - tt)
    on = weld.inside > 0
    index = torch.arange(len(s), device=s.device, dtype=s.dtype).expand_as(weld.inside)
    last = torch.cummax(torch.where(on, index, torch.full_like(index, -1e5)), -1).values
    after = index - last
    ahead = (
        torch.flip(torch.cummin(torch.flip(torch.where(on, index, torch.full_like(index, 1e5)), [-1]), -1).values, [-1])
        - index
    )
    along = (torch.minimum(after, ahead) * float(s[1] - s[0]))[:, :, None, :]
    outside = torch.sqrt(along**2 + (tt - (weld.left + weld.right)[:, :, None, :] / 2) ** 2)
    return torch.where(on[:, :, None, :], across, outside)


def dress(
    dice: Dice, weld: Weld, s: Tensor, t: Tensor, butt: Tensor | None = None, look: Look | None = None
) -> Surface:
    """Steel plate with the bead on it. ``butt`` (B,1,1,1) is 1 where a joint line runs under the bead.

    Without a ``look`` the plate is ground, scaled or a little rusty steel and the bead as it left the chipping hammer.
    """
    d = dice
    h, w = len(t), len(s)
    step = float(s[1] - s[0])
    ones = torch.ones((d.batch, 1, h, w), device=d.device)

    def q(low: float, high: float) -> Tensor:
        return d.uniform(low, high, 1, 1, 1)

    def yes(p: float) -> Tensor:
        return d.chance(p, 1, 1, 1)

    height = weld.height
    face = weld.face

    # The plate: ground or brushed steel, mill scale, light rust.
    angle = d.uniform(0, math.pi)
    fine = streaks(d, h, w, angle, 1.6, 90.0 if d.whole(2) else 40.0)
    coarse = streaks(d, h, w, angle + 0.06 * d.normal(), 5.0, 160.0)
    mottled = cloud(d, h, w, 7.0 / step, 4)
    blotch = cloud(d, h, w, 16.0 / step, 3)
    grain = cloud(d, h, w, 2.0, 1)
    is_scale = yes(0.42)
    scratch = q(0.3, 1.3) * (1 - 0.85 * is_scale)
    steel_mirror = colour(d, (0.30, 0.30, 0.30), (0.66, 0.65, 0.63)) * ones
    steel_diffuse = colour(d, (0.05, 0.05, 0.05), (0.16, 0.16, 0.16)) * ones
    scale_mirror = colour(d, (0.05, 0.05, 0.055), (0.16, 0.16, 0.18)) * ones
    scale_diffuse = colour(d, (0.03, 0.03, 0.035), (0.13, 0.125, 0.13)) * ones
    flakes = smoothstep((mottled + 0.5 * coarse * (1 - is_scale) - q(0.6, 2.6)) * 5)
    scale_here = mix(flakes, 1 - smoothstep((mottled - q(1.2, 3.0)) * 5), is_scale)
    mirror = mix(
        steel_mirror * (1 + 0.18 * scratch * fine + 0.08 * scratch * coarse).clamp(0.3, 1.6), scale_mirror, scale_here
    )
    albedo = mix(
        steel_diffuse * (1 + 0.2 * scratch * fine), scale_diffuse * (1 + 0.12 * mottled + 0.06 * grain), scale_here
    )
    rough = mix(q(0.22, 0.5) * ones + 0.05 * coarse, q(0.35, 0.62) * ones, scale_here)
    height = height + (1 - face) * (
        0.0035 * scratch * fine * (1 - scale_here) + 0.004 * blotch + 0.012 * scale_here * yes(0.5)
    )
    for _ in range(2):
        line = streaks(d, h, w, d.uniform(0, math.pi), 1.3, 110.0)
        scratchy = smoothstep((line - q(2.1, 3.4)) * 3) * yes(0.5) * (1 - face)
        albedo = mix(albedo, albedo * 0.6 + 0.14, scratchy)
        mirror = mix(mirror, steel_mirror, 0.5 * scratchy)
    rust = smoothstep((cloud(d, h, w, 9.0 / step, 4) + 0.4 * mottled - q(0.7, 3.0)) * 4) * (1 - face) * yes(0.75)
    albedo = mix(
        albedo, colour(d, (0.10, 0.05, 0.03), (0.33, 0.17, 0.09)) * (1 + 0.25 * grain + 0.2 * mottled), rust * q(0.5, 1)
    )
    mirror, rough = mirror * (1 - 0.85 * rust), mix(rough, 0.8 * ones, rust)
    across = t[None, None, :, None] - ((weld.left + weld.right) / 2)[:, :, None, :]
    if look is not None:
        plate = Stuff(albedo, mirror, rough, height)
        plate_look(d, plate, across, step)
        albedo, mirror, rough = plate.albedo, plate.mirror, plate.rough
    if butt is not None:
        tt = t[None, None, :, None] - ((weld.left + weld.right) / 2).mean(-1)[..., None, None] + 0.12 * mottled
        seam = torch.sigmoid((q(0.08, 0.3) - tt.abs()) / 0.06) * butt * (1 - face)
        albedo, mirror = albedo * (1 - 0.85 * seam), mirror * (1 - 0.85 * seam)
        height = height - 0.3 * seam

    # Heat: tint bands and soot round the bead.
    away = toe_distance(weld, s, t) + 0.9 * mottled
    reach = q(2.5, 14)
    x = (away / reach).clamp_min(0)

    def band(centre: float, width: float) -> Tensor:
        return torch.exp(-(((x - centre) / width) ** 2))

    tint = q(0, 0.9) * (1 - face) * (1 - 0.7 * is_scale)
    straw = torch.tensor([1.0, 0.78, 0.45], device=d.device)[None, :, None, None]
    blue = torch.tensor([0.55, 0.6, 0.85], device=d.device)[None, :, None, None]
    for hue, centre, width in ((blue, 0.35, 0.25), (straw, 0.75, 0.22)):
        share = tint * band(centre, width)
        mirror = mirror * (1 + share * (hue - 1))
        albedo = albedo * (1 + share * (hue - 1))
    pale = yes(0.3) * smoothstep((1 - x) * 3) * (1 - face)
    albedo = mix(albedo, albedo * 1.2 + 0.05, pale * q(0, 0.7))
    soot = (
        q(0, 0.9)
        * yes(0.7)
        * torch.exp(-(away.clamp_min(0) / q(1.2, 9)))
        * (1 - face)
        * (0.75 + 0.25 * mottled).clamp(0, 1.2)
    )
    albedo, mirror = albedo * (1 - 0.75 * soot), mirror * (1 - 0.8 * soot)
    # A dark or a bright thin line beside a toe is no undercut: dirt, brushing marks.
    for side in (1.0, -1.0):
        tt = t[None, None, :, None]
        toe = weld.left if side > 0 else weld.right
        out = side * (tt - toe[:, :, None, :]) - q(0, 1.2)
        dirt = (
            torch.exp(-((out / q(0.12, 0.6)) ** 2))
            * yes(0.35)
            * smoothstep(cloud(d, h, w, 14.0 / step, 2) * 2 + 0.3)
            * weld.inside[:, :, None, :]
            * (1 - face)
        )
        dark = yes(0.75)
        albedo = mix(albedo, albedo * (0.35 * dark + 1.7 * (1 - dark)), dirt)
        mirror = mix(mirror, mirror * (0.35 * dark + 1.3 * (1 - dark)), dirt)

    span = (weld.left - weld.right)[:, :, None, :].clamp_min(0.5)
    if look is not None:
        plate = Stuff(albedo, mirror, rough, height)
        width = span.amax(-1, keepdim=True)
        toe_bands(d, plate, away, across, width, face, step)
        albedo, mirror, rough = plate.albedo, plate.mirror, plate.rough

    # Weld metal.
    grey = d.log_uniform(0.035, 0.68, 1, 1, 1)
    bead_mirror = (
        grey
        * colour(d, (0.97, 0.97, 1.0), (1.0, 0.99, 0.96))
        * (1 + 0.1 * cloud(d, h, w, 3.0 / step, 3)).clamp(0.5, 1.5)
    )
    bead_albedo = d.log_uniform(0.004, 0.22, 1, 1, 1) * torch.ones_like(bead_mirror)
    patchy = smoothstep((cloud(d, h, w, 3.5 / step, 4, stretch=1.5) - q(0.4, 2.6)) * 3) * q(0, 0.9)
    bead_mirror = bead_mirror * (1 - 0.75 * patchy)
    bead_albedo = mix(bead_albedo, 0.06 * ones, patchy)
    rim = torch.exp(-(((-away).clamp_min(0)) / q(0.3, 1.6))) * q(0, 0.9) * yes(0.6)
    bead_mirror, bead_albedo = bead_mirror * (1 - 0.8 * rim), bead_albedo * (1 - 0.6 * rim)
    blued = q(0, 0.35) * smoothstep(cloud(d, h, w, 12.0 / step, 2))
    bead_mirror = bead_mirror * (1 + blued * (blue - 1))
    bead_rough = (q(0.13, 0.55) + 0.12 * patchy + 0.03 * cloud(d, h, w, 5, 2)).clamp(0.12, 0.8)
    mirror, albedo, rough = mix(mirror, bead_mirror, face), mix(albedo, bead_albedo, face), mix(rough, bead_rough, face)
    if look is not None:
        metal = Stuff(albedo, mirror, rough, height)
        face_look(d, metal, 2 * across / span, face, step)
        albedo, mirror, rough, height = metal.albedo, metal.mirror, metal.rough, metal.height

    # Spatter, strikes, slag, cracks, pores.
    ball_mirror = colour(d, (0.08, 0.08, 0.085), (0.5, 0.5, 0.5))
    mirror, albedo = mix(mirror, ball_mirror, weld.spatter), mix(albedo, 0.05 * ones, weld.spatter)
    rough = mix(rough, q(0.25, 0.5) * ones, weld.spatter)
    halo = F.max_pool2d(weld.spatter, 5, 1, 2) - weld.spatter
    albedo, mirror = albedo * (1 - 0.4 * halo * yes(0.5)), mirror * (1 - 0.4 * halo * yes(0.5))
    strike = weld.maps["arc_strike"]
    mirror, albedo = (
        mix(mirror, colour(d, (0.1, 0.1, 0.1), (0.5, 0.48, 0.46)) * ones, 0.8 * strike),
        mix(albedo, colour(d, (0.03, 0.03, 0.03), (0.2, 0.18, 0.16)) * ones, 0.7 * strike),
    )
    slag_colour = colour(d, (0.025, 0.022, 0.02), (0.17, 0.14, 0.11))
    mirror, albedo = mix(mirror, 0.05 * ones, weld.slag), mix(albedo, slag_colour * ones, weld.slag)
    rough = mix(rough, q(0.3, 0.7) * ones, weld.slag)
    dark = torch.maximum(weld.crack, 0.8 * weld.pore)
    mirror, albedo = mirror * (1 - 0.9 * dark), albedo * (1 - 0.85 * dark)
    return Surface(
        height=height,
        albedo=albedo.clamp(0.004, 0.95),
        mirror=mirror.clamp(0.01, 0.95),
        rough=rough.clamp(0.08, 0.95),
        s0=float(s[0]),
        t0=float(t[0]),
        step=step,
    )


__all__ = ["Surface", "colour", "dress", "mix", "rotated", "toe_distance"]
