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
    """Panels: directions (B,K,3), sharpness (B,K), colours (B,K,3); the first ``shadowing`` of them cast shadows, and
    stand ``away`` (B,shadowing) mm from the middle of what they light.

    ``around`` (B,3,L,rows,columns) are photographed surroundings, None where there are none.
    """

    direction: Tensor
    sharpness: Tensor
    colour: Tensor
    dome_low: Tensor
    dome_high: Tensor
    horizon: Tensor
    shadowing: int
    away: Tensor
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
    lights = Lights(
        direction=torch.cat([main, room], 1),
        sharpness=torch.cat([sharp_main, sharp_room], 1),
        colour=colour,
        dome_low=dome * d.uniform(0.2, 0.9, 1),
        dome_high=dome * d.uniform(0.7, 1.6, 1),
        horizon=d.uniform(0.03, 0.8, 1),
        shadowing=k_main,
        away=d.log_uniform(180, 3000, k_main),
    )
    _rake(d, lights)
    return lights


def _rake(dice: Dice, lights: Lights) -> None:
    """Under one light in five the first lamp is small, stands low and outshines the room: one toe lies dark in the
    bead's own shadow."""
    d = dice
    raked, el = d.chance(0.2, 1), d.uniform(8, 26, 1) * math.pi / 180
    flat = F.normalize(lights.direction[:, 0, :2], dim=-1)
    low = torch.cat([flat * torch.cos(el), torch.sin(el)], -1)
    lights.direction[:, 0] = torch.where(raked > 0, low, lights.direction[:, 0])
    small = 1 + raked * (d.log_uniform(1.0, 12.0, 1) - 1)
    strong = 1 + raked * (1 / torch.sin(el) - 1)  # what lights a plate aslant has to be so much stronger
    lights.sharpness[:, :1] = lights.sharpness[:, :1] * small
    lights.colour[:, :1] = lights.colour[:, :1] * (small * strong)[..., None]
    dim = 1 + raked * (d.log_uniform(0.08, 0.8, 1) - 1)
    lights.colour[:, 1:] = lights.colour[:, 1:] * dim[..., None]
    lights.dome_low, lights.dome_high = lights.dome_low * dim, lights.dome_high * dim


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

    A flank mirrors the plate beside it, and a groove its own walls, once. ``maps`` saves working out
    :func:`shading_maps` again when a large picture is shaded in tiles.
    """
    hit = first_hit(surface, target, eye, steps)
    packed = shading_maps(surface) if maps is None else maps
    seen = _spot(surface, packed, hit, eye[:, None, None, :])
    clear, where = _open(surface, seen)
    wash, lamps, room = _light(surface, seen, lights, shadow_steps)
    met = _spot(surface, packed, where, seen.point)
    wash_there, lamps_there, room_there = _light(surface, met, lights, shadow_steps // 2)
    there = met.albedo * wash_there + met.mirror * (lamps_there + room_there * (0.35 + 0.65 * met.sky))
    return seen.albedo * wash + seen.mirror * (lamps + room * clear + there * (1 - clear)), hit


@dataclass(slots=True)
class _Spot:
    """What lies where a ray hits: place and unit vectors (B,H,W,3), maps (B,C,H,W)."""

    point: Tensor
    normal: Tensor
    bounce: Tensor
    sky: Tensor
    albedo: Tensor
    mirror: Tensor
    #: How widely its mirror spreads light (B,H,W), rad².
    spread: Tensor


def _spot(surface: Surface, packed: Tensor, at: Tensor, eye: Tensor) -> _Spot:
    """The spots ``at`` (B,H,W,2) of a surface as seen from ``eye`` (B,H,W,3), one for all or one each."""
    maps = look_up(surface, packed, at)
    slope_s, slope_t = maps[:, 1], maps[:, 2]
    normal = F.normalize(torch.stack([-slope_s, -slope_t, torch.ones_like(slope_s)], -1), dim=-1)
    point = torch.cat([at, maps[:, 0][..., None]], -1)
    view = F.normalize(eye - point, dim=-1)
    nv = (normal * view).sum(-1, keepdim=True).clamp_min(0.05)
    fres = (1 - nv[..., 0][:, None]) ** 5
    mirror = maps[:, 8:11]
    return _Spot(
        point=point,
        normal=normal,
        bounce=F.normalize(2 * nv * normal - view, dim=-1),
        sky=maps[:, 3:4],
        albedo=maps[:, 5:8],
        mirror=mirror + (1 - mirror) * fres * 0.5,
        spread=maps[:, 4] ** 2 * 0.6 + 0.002,
    )


def _light(surface: Surface, spot: _Spot, lights: Lights, shadow_steps: int) -> tuple[Tensor, Tensor, Tensor]:
    """What a dull surface gathers there, and what a mirror shows of the lamps and of the room; (B,3,H,W) each."""

    def dome(v: Tensor) -> Tensor:
        up = (0.5 + 0.5 * v[..., 2])[:, None]
        return lights.dome_low[:, :, None, None] + (lights.dome_high - lights.dome_low)[:, :, None, None] * up

    # A bare room is darker towards the horizon.
    dim = lights.horizon[:, :, None, None]
    rise = smoothstep((spot.bounce[..., 2] + 0.15) / 0.75)[:, None]
    room = dome(spot.bounce).expand(-1, 3, -1, -1) * (dim + (1 - dim) * rise)
    wash = dome(spot.normal).expand(-1, 3, -1, -1) * spot.sky
    if lights.around is not None:
        dull = torch.full_like(spot.spread, SPREADS[-1])
        room = room + mirrored(lights.around, spot.bounce, spot.spread)
        wash = wash + mirrored(lights.around, spot.normal, dull) * spot.sky
    lamps = torch.zeros_like(wash)
    rows, columns = surface.height.shape[-2:]
    middle = (surface.s0 + surface.step * (columns - 1) / 2, surface.t0 - surface.step * (rows - 1) / 2, 0.0)
    from_middle = spot.point - torch.tensor(middle, device=spot.point.device)
    for i in range(lights.direction.shape[1]):
        dirn = lights.direction[:, i][:, None, None, :]
        tone = lights.colour[:, i][:, :, None, None]
        if i < lights.shadowing:  # a near lamp shines from elsewhere at each place, and brighter where it is nearer
            away = lights.away[:, i][:, None, None, None]
            there = dirn * away - from_middle
            near = there.norm(dim=-1, keepdim=True)
            dirn, tone = there / near, tone * ((away / near) ** 2).permute(0, 3, 1, 2)
        sharp = lights.sharpness[:, i][:, None, None]
        soft = 1 / (1 / sharp + 2 * spot.spread)
        lobe = torch.exp(soft * ((spot.bounce * dirn).sum(-1) - 1)) * soft / sharp
        facing = (spot.normal * dirn).sum(-1).clamp_min(0)
        lambert = facing * 2 * math.pi / sharp / math.pi * (1 - torch.exp(-2 * sharp))
        if i < lights.shadowing:
            lit = _shadow(surface, spot.point, dirn, lights.sharpness[:, i], shadow_steps)
            lamps = lamps + tone * (lobe * lit)[:, None]
        else:
            lit = spot.sky[:, 0]
            room = room + tone * lobe[:, None]
        wash = wash + tone * (lambert * lit)[:, None]
    return wash, lamps, room


def _open(surface: Surface, spot: _Spot, steps: int = 16) -> tuple[Tensor, Tensor]:
    """Share of what a mirror shows that is not the relief itself (B,1,H,W), and where (B,H,W,2) it shows the relief."""
    top = surface.height.amax(dim=(1, 2, 3))[:, None, None]
    low = surface.height.amin(dim=(1, 2, 3))[:, None, None]
    z, rise = spot.point[..., 2], spot.bounce[..., 2]
    up, down = (top - z).clamp_min(0.05) / rise.clamp_min(0.08), (z - low).clamp_min(0.05) / (-rise).clamp_min(0.03)
    # Beyond where a falling ray has met the relief it is seen how much of a wide lobe passes over.
    reach = torch.where(rise > 0, up, 2.5 * down).clamp(0.3, 14)
    half = torch.sqrt(2 * spot.spread)
    clear = torch.ones_like(z)
    where = spot.point[..., :2] + spot.bounce[..., :2] * reach[..., None]
    done = torch.zeros_like(z, dtype=torch.bool)
    before_gap, before = torch.full_like(z, 0.02), torch.zeros_like(z)
    for i in range(1, steps + 1):
        dist = reach * (i / steps) ** 1.5
        xy = spot.point[..., :2] + spot.bounce[..., :2] * dist[..., None]
        gap = z + rise * dist - look_up(surface, surface.height, xy)[:, 0]
        hidden = 0.5 + gap / (dist * half * 2 + 0.02)
        at = before + (dist - before) * (before_gap / (before_gap - gap).clamp_min(1e-6)).clamp(0, 1)
        # The first thing that it meets, else what comes nearest to the mirror's axis.
        nearer = ((gap <= 0) | (hidden < clear)) & ~done
        at = torch.where(gap <= 0, at, dist)
        where = torch.where(nearer[..., None], spot.point[..., :2] + spot.bounce[..., :2] * at[..., None], where)
        clear = torch.minimum(clear, hidden)
        done = done | (gap <= 0)
        before_gap, before = gap, dist
    return clear.clamp(0, 1)[:, None], where


def _shadow(surface: Surface, point: Tensor, direction: Tensor, sharpness: Tensor, steps: int) -> Tensor:
    """Share of a panel (B,H,W) that is not hidden by the relief, by marching towards it in ``direction`` (B,H,W,3)."""
    flat, rise = direction[..., :2], direction[..., 2]
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
