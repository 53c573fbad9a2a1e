"""Lighting: a dome with soft panels and near lamps; mirror and diffuse shading, cast shadows, occlusion."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import torch
import torch.nn.functional as F
from torch import Tensor

from .noise import Dice, smoothstep
from .surface import Surface
from .surroundings import SPREADS, Surroundings, mirrored, round_


@dataclass(slots=True)
class Lights:
    """Panels: directions (B,K,3), sharpness (B,K), colours (B,K,3); the first ``shadowing`` of them cast shadows.

    ``around`` (B,3,L,rows,columns) are photographed surroundings, None where there are none.
    """

    direction: Tensor
    sharpness: Tensor
    colour: Tensor
    dome_low: Tensor
    dome_high: Tensor
    horizon: Tensor
    shadowing: int
    around: Tensor | None = None


def any_lights(dice: Dice) -> Lights:
    """Window, tubes, lamp, flash or raking light, with a dim room round it."""
    d = dice
    k_main, k_room = 2, 7
    el = torch.where(d.chance(0.25, k_main) > 0, d.uniform(12, 25, k_main), d.uniform(22, 80, k_main)) * math.pi / 180
    az = d.uniform(0, 2 * math.pi, k_main)
    flash = d.chance(0.12, 1)
    el[:, :1] = torch.where(flash > 0, d.uniform(80, 89, 1) * math.pi / 180, el[:, :1])
    main = torch.stack([torch.cos(el) * torch.cos(az), torch.cos(el) * torch.sin(az), torch.sin(el)], -1)
    room = F.normalize(torch.cat([d.normal(k_room, 2), d.uniform(0.1, 1.6, k_room, 1)], -1), dim=-1)
    sharp_main = d.log_uniform(6, 600, k_main)
    sharp_room = d.log_uniform(1.5, 30, k_room)
    power = torch.stack([d.uniform(0.6, 1.6, 1)[:, 0], d.chance(0.5, 1)[:, 0] * d.uniform(0.1, 0.9, 1)[:, 0]], -1)
    bright_main = power * sharp_main / (2 * math.pi) * 2.2
    bright_room = d.uniform(0, 0.9, k_room) * d.log_uniform(0.05, 2.5, 1)
    warm = d.uniform(-0.15, 0.2, 1, 1) + d.uniform(-0.1, 0.1, k_main + k_room, 1)
    hue = torch.cat([1 + warm, torch.ones_like(warm), 1 - warm], -1)
    colour = torch.cat([bright_main, bright_room], 1)[..., None] * hue
    dome = d.log_uniform(0.02, 0.6, 1)
    return Lights(
        direction=torch.cat([main, room], 1),
        sharpness=torch.cat([sharp_main, sharp_room], 1),
        colour=colour,
        dome_low=dome * d.uniform(0.2, 0.9, 1),
        dome_high=dome * d.uniform(0.7, 1.6, 1),
        horizon=d.uniform(0.03, 0.8, 1),
        shadowing=k_main,
    )


def among(dice: Dice, lights: Lights, surroundings: Surroundings) -> Lights:
    """The lamps in one of the photographed surroundings instead of a bare room, at three places in five."""
    d = dice
    at = (d.uniform(0, 1, 1)[:, 0] * len(surroundings.light)).long()
    here = d.chance(0.6, 1)
    power = here * d.log_uniform(0.25, 2.5, 1)
    panels = torch.cat(
        [
            (1 - here * (1 - d.uniform(0, 1, lights.shadowing))),
            (1 - here).expand(-1, lights.direction.shape[1] - lights.shadowing),
        ],
        1,
    )
    return replace(
        lights,
        colour=lights.colour * panels[..., None],
        dome_low=lights.dome_low * (1 - 0.9 * here),
        dome_high=lights.dome_high * (1 - 0.9 * here),
        around=round_(surroundings.light[at] * power[..., None, None, None], d.uniform(0, 1, 1)[:, 0]),
    )


def tinted(dice: Dice, radiance: Tensor) -> Tensor:
    """Light (B,3,H,W) under a lamp that the camera does not take for white, and in a shadow here and there."""
    d = dice
    h, w = radiance.shape[-2:]
    warm = d.chance(0.4, 1, 1, 1) * d.uniform(-0.55, 0.55, 1, 1, 1)
    hue = torch.exp(torch.cat([warm, 0.15 * d.normal(1, 1, 1) * warm.abs(), -warm], 1))
    way = d.uniform(0, 2 * math.pi, 1, 1, 1)
    x = torch.linspace(-1, 1, w, device=radiance.device) * w / max(h, w)
    y = torch.linspace(-1, 1, h, device=radiance.device) * h / max(h, w)
    across = torch.cos(way) * x[None, None, None, :] + torch.sin(way) * y[None, None, :, None]
    edge, soft = d.uniform(-0.5, 0.5, 1, 1, 1), d.log_uniform(0.004, 0.2, 1, 1, 1)
    wide = d.uniform(0.1, 1.2, 1, 1, 1)
    dark = torch.sigmoid((across - edge) / soft) * torch.sigmoid((edge + wide - across) / soft)
    return radiance * hue * (1 - dark * d.chance(0.3, 1, 1, 1) * d.uniform(0.2, 0.75, 1, 1, 1))


def _grid(surface: Surface, xy: Tensor) -> Tensor:
    """Surface coordinates (B,h,w,2) (s, t) mm to grid_sample's -1..1."""
    n_t, n_s = surface.height.shape[-2:]
    gx = (xy[..., 0] - surface.s0) / (surface.step * (n_s - 1)) * 2 - 1
    gy = (surface.t0 - xy[..., 1]) / (surface.step * (n_t - 1)) * 2 - 1
    return torch.stack([gx, gy], -1)


def look_up(surface: Surface, maps: Tensor, xy: Tensor) -> Tensor:
    """Maps (B,C,h,w) at surface coordinates (B,H,W,2), the border repeated outside."""
    return F.grid_sample(maps, _grid(surface, xy), mode="bilinear", padding_mode="border", align_corners=True)


def first_hit(surface: Surface, target: Tensor, eye: Tensor, steps: int = 14) -> Tensor:
    """Where rays from ``eye`` (B,3) to ``target`` (B,H,W,3) first meet the relief: (B,H,W,2) surface coordinates."""
    top = surface.height.amax(dim=(1, 2, 3))[:, None, None]
    low = surface.height.amin(dim=(1, 2, 3))[:, None, None]
    e = eye[:, None, None, :]
    ray = target - e
    per_z = ray[..., :2] / ray[..., 2:3].clamp(max=-1e-3)
    z = top.expand(target.shape[:3])
    dz = (top - low) / steps
    done = torch.zeros_like(z, dtype=torch.bool)
    hit = z.clone()
    prev_gap = None
    for _ in range(steps + 1):
        xy = e[..., :2] + per_z * (z - e[..., 2])[..., None]
        gap = z - look_up(surface, surface.height, xy)[:, 0]
        below = (gap <= 0) & ~done
        refined = z if prev_gap is None else z + dz * (-gap / (prev_gap - gap).clamp_min(1e-06)).clamp(0, 1)
        hit = torch.where(below, refined, hit)
        done = done | below
        hit = torch.where(done, hit, z)
        prev_gap = gap
        z = z - dz
    return e[..., :2] + per_z * (hit - e[..., 2])[..., None]


def shading_maps(surface: Surface) -> Tensor:
    """What :func:`shade` reads at each point (B,11,h,w): height, two slopes, open sky, roughness, albedo, mirror."""
    hgt = surface.height
    pad = F.pad(hgt, (1, 1, 1, 1), mode="replicate")
    ds = (pad[..., 1:-1, 2:] - pad[..., 1:-1, :-2]) / (2 * surface.step)
    dt = -(pad[..., 2:, 1:-1] - pad[..., :-2, 1:-1]) / (2 * surface.step)
    k = max(int(1.2 / surface.step) | 1, 3)
    wide = F.avg_pool2d(F.pad(hgt, (k // 2,) * 4, mode="replicate"), k, 1)
    k2 = max(int(4.0 / surface.step) | 1, 5)
    wider = F.avg_pool2d(F.pad(wide, (k2 // 2,) * 4, mode="replicate"), k2, 1)
    open_sky = (1 - 1.1 * (wide - hgt).clamp_min(0) - 0.35 * (wider - hgt).clamp_min(0)).clamp(0.12, 1)
    return torch.cat([hgt, ds, dt, open_sky, surface.rough, surface.albedo, surface.mirror], 1)


def shade(
    surface: Surface,
    target: Tensor,
    eye: Tensor,
    lights: Lights,
    shadow_steps: int = 14,
    steps: int = 14,
    maps: Tensor | None = None,
) -> tuple[Tensor, Tensor]:
    """Radiance (B,3,H,W) seen from ``eye`` towards ``target`` (B,H,W,3), and where each ray hit (B,H,W,2).

    ``maps`` saves working out :func:`shading_maps` again when a large picture is shaded in tiles.
    """
    hit = first_hit(surface, target, eye, steps)
    packed = shading_maps(surface) if maps is None else maps
    at = look_up(surface, packed, hit)
    z, slope_s, slope_t, sky, rough = at[:, 0], at[:, 1], at[:, 2], at[:, 3:4], at[:, 4:5]
    albedo, mirror = at[:, 5:8], at[:, 8:11]
    normal = F.normalize(torch.stack([-slope_s, -slope_t, torch.ones_like(slope_s)], -1), dim=-1)
    point = torch.cat([hit, z[..., None]], -1)
    view = F.normalize(eye[:, None, None, :] - point, dim=-1)
    nv = (normal * view).sum(-1, keepdim=True).clamp_min(0.05)
    bounce = 2 * nv * normal - view
    fres = (1 - nv[..., 0][:, None]) ** 5
    mirror = mirror + (1 - mirror) * fres * 0.5
    spread = (rough**2 * 0.6 + 0.002)[:, 0]

    def up(v: Tensor) -> Tensor:
        return (0.5 + 0.5 * v[..., 2])[:, None]

    def dome(v: Tensor) -> Tensor:
        return lights.dome_low[:, :, None, None] + (lights.dome_high - lights.dome_low)[:, :, None, None] * up(v)

    # A flank that mirrors the horizon or the plate sees less light than a face that mirrors the ceiling.
    dim = lights.horizon[:, :, None, None]
    rise = smoothstep((bounce[..., 2] + 0.15) / 0.75)[:, None]
    glow = dome(bounce).expand(-1, 3, -1, -1) * (0.35 + 0.65 * sky) * (dim + (1 - dim) * rise)
    wash = dome(normal).expand(-1, 3, -1, -1) * sky
    if lights.around is not None:
        dull = torch.full_like(spread, SPREADS[-1])
        glow = glow + mirrored(lights.around, bounce, spread) * (0.35 + 0.65 * sky) * (dim + (1 - dim) * rise)
        wash = wash + mirrored(lights.around, normal, dull) * sky
    for i in range(lights.direction.shape[1]):
        dirn = lights.direction[:, i][:, None, None, :]
        sharp = lights.sharpness[:, i][:, None, None]
        soft = 1 / (1 / sharp + 2 * spread)
        lobe = torch.exp(soft * ((bounce * dirn).sum(-1) - 1)) * soft / sharp
        lambert = (normal * dirn).sum(-1).clamp_min(0) * 2 * math.pi / sharp / math.pi * (1 - torch.exp(-2 * sharp))
        lit = sky[:, 0]
        if i < lights.shadowing:
            lit = _shadow(surface, point, lights.direction[:, i], lights.sharpness[:, i], shadow_steps)
        tone = lights.colour[:, i][:, :, None, None]
        glow = glow + tone * (lobe * lit)[:, None]
        wash = wash + tone * (lambert * lit)[:, None]
    return albedo * wash + mirror * glow, hit


def _shadow(surface: Surface, point: Tensor, direction: Tensor, sharpness: Tensor, steps: int) -> Tensor:
    """Share of a panel (B,H,W) that is not hidden by the relief, by marching towards it."""
    flat = direction[:, None, None, :2]
    rise = direction[:, None, None, 2]
    top = surface.height.amax(dim=(1, 2, 3))[:, None, None]
    reach = ((top - point[..., 2]).clamp(0.05, 12) / rise.clamp_min(0.08)).clamp(max=14)
    size = (1 / torch.sqrt(sharpness.clamp_min(1)))[:, None, None] * 1.3 + 0.02
    clear = torch.ones_like(reach)
    for i in range(1, steps + 1):
        dist = reach * (i / steps) ** 1.5
        xy = point[..., :2] + flat * dist[..., None]
        z = look_up(surface, surface.height, xy)[:, 0]
        gap = point[..., 2] + rise * dist - z
        clear = torch.minimum(clear, 0.5 + gap / (dist * size * 2 + 0.03))
    return clear.clamp(0, 1)
