"""The relief of a weld bead in seam coordinates, its faults, and the truth about both.

``s`` runs along the seam in the direction of travel, ``t`` to the left of it. Maps are (B, 1, h, w) over a grid
whose columns are ``s`` and whose rows are ``t``; curves along the seam are (B, 1, w).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import torch
import torch.nn.functional as F
from torch import Tensor

from .looks import Look
from .noise import Dice, cloud, curve, smoothstep, window


@dataclass(slots=True)
class Weld:
    """One batch of beads: relief, where they lie, and the truth maps by name."""

    height: Tensor
    #: Where the metal looks like the weld's; the truth's face ends at the toes, in ``maps``.
    face: Tensor
    left: Tensor
    right: Tensor
    inside: Tensor
    maps: dict[str, Tensor]
    slag: Tensor
    crack: Tensor
    pore: Tensor
    spatter: Tensor
    truth: dict[str, Any] = field(default_factory=dict)


@dataclass(slots=True)
class BeadPlan:
    """What is to be laid: every entry (B, 1, 1)."""

    start: Tensor
    end: Tensor
    width: Tensor
    height: Tensor
    pitch: Tensor
    pitch_jitter: Tensor
    ripple_amp: Tensor
    crescent: Tensor
    vee: Tensor
    skew: Tensor
    profile: Tensor
    asym: Tensor
    width_var: Tensor
    toe_rms: Tensor
    toe_corr: Tensor
    wave: Tensor
    scallop: Tensor
    fillet: Tensor
    undercut: Tensor
    overlap: Tensor
    unfilled: Tensor
    crack: Tensor
    restart: Tensor
    spatter: Tensor
    pores: Tensor
    slag: Tensor
    strikes: Tensor
    #: What an overlap adds to the profile's power: at 0 it is a round roll with a wide flank, at 9 it stands upright.
    roll: Tensor
    #: So far into an undercut, as a share of its width, the metal looks like the weld's.
    run_in: Tensor
    #: Out to this share of the crater's radius what froze last is smooth; at 0 its ripples go on.
    still: Tensor
    #: Both toes moved to the left by this much: unequal legs of a fillet.
    shift: Tensor | None = None


def any_plan(dice: Dice, span: float) -> BeadPlan:
    """A random plan for a window ``span`` mm long: any bead, any fault, ends in or out of the window."""
    d = dice
    width = d.log_uniform(5.0, 21.0)
    whole = d.chance(0.25)
    start = torch.where(d.chance(0.55) > 0, d.uniform(-120, -12), d.uniform(0.05, 0.5) * span)
    end = torch.where(d.chance(0.5) > 0, d.uniform(span + 12, span + 120), d.uniform(0.5, 0.95) * span)
    end = torch.maximum(end, start + 2.2 * width)
    start = torch.where(whole > 0, d.uniform(0.05, 0.2) * span, start)
    end = torch.where(whole > 0, torch.maximum(d.uniform(0.7, 0.93) * span, start + 2.2 * width), end)
    tidy = d.chance(0.35)

    def rough(low: float, high: float) -> Tensor:
        return torch.where(tidy > 0, d.uniform(low, low + 0.3 * (high - low)), d.uniform(low, high))

    return BeadPlan(
        start=start,
        end=end,
        width=width,
        height=width * d.uniform(0.06, 0.5),
        pitch=d.log_uniform(0.8, 3.6),
        pitch_jitter=rough(0.03, 0.32),
        ripple_amp=d.uniform(0.04, 0.2),
        crescent=d.uniform(0.15, 1.1),
        vee=d.chance(0.6) * d.uniform(0, 1) ** 1.3,
        skew=d.normal() * 0.12,
        profile=d.uniform(1.8, 4.2),
        asym=(d.normal() * torch.where(d.chance(0.3) > 0, 0.5, 0.16)).clamp(-0.95, 0.95),
        width_var=rough(0.01, 0.1),
        toe_rms=rough(0.06, 0.55),
        toe_corr=d.uniform(3.5, 15),
        wave=rough(0.04, 0.4),
        scallop=d.uniform(0.02, 0.28),
        fillet=torch.zeros_like(width),
        undercut=d.chance(0.5),
        overlap=d.chance(0.35),
        unfilled=d.chance(0.45),
        crack=d.chance(0.5),
        restart=d.chance(0.3),
        spatter=d.chance(0.85) * d.log_uniform(2, 90),
        pores=d.chance(0.25) * d.uniform(1, 7),
        slag=d.chance(0.35) * d.uniform(1, 4.99),
        strikes=d.chance(0.3) * d.uniform(1, 3.99),
        roll=d.uniform(0, 9),
        run_in=d.chance(0.6) * d.uniform(0, 1),
        still=d.chance(0.5) * d.uniform(0.6, 1.3),
    )


def _interp(table: Tensor, x: Tensor) -> Tensor:
    """Linear look-up in curves (B, 1, n) at fractional indices x (B, 1, h, w)."""
    n = table.shape[-1]
    x = x.clamp(0, n - 1.001)
    low = x.floor().long()
    frac = x - low
    flat = low.reshape(low.shape[0], -1)
    tab = table[:, 0]
    a = torch.gather(tab, 1, flat).reshape(x.shape)
    b = torch.gather(tab, 1, flat + 1).reshape(x.shape)
    return a + (b - a) * frac


def _stamp(
    canvas: Tensor,
    s: Tensor,
    t: Tensor,
    centre_s: Tensor,
    centre_t: Tensor,
    reach: int,
    shape: Callable[[Tensor, Tensor], Tensor],
) -> None:
    """Raise ``canvas`` (B, 1, h, w) to ``shape(ds, dt, item)`` within ``reach`` px of each item's centre (B, n)."""
    b, _, h, w = canvas.shape
    step = float(s[1] - s[0])
    col = ((centre_s - s[0]) / step).round().long()
    row = ((t[0] - centre_t) / step).round().long()
    off = torch.arange(-reach, reach + 1, device=canvas.device)
    rows = row[:, :, None, None] + off[None, None, :, None]
    cols = col[:, :, None, None] + off[None, None, None, :]
    ok = (rows >= 0) & (rows < h) & (cols >= 0) & (cols < w)
    ds = s[0] + cols * step - centre_s[:, :, None, None]
    dt = t[0] - rows * step - centre_t[:, :, None, None]
    value = torch.where(ok, shape(ds, dt), torch.full_like(ds, -1e3))
    index = (rows.clamp(0, h - 1) * w + cols.clamp(0, w - 1)).expand_as(value)
    canvas.view(b, -1).scatter_reduce_(1, index.reshape(b, -1), value.reshape(b, -1), reduce="amax")


def _exists(dice: Dice, count: Tensor, most: int) -> Tensor:
    """Which of ``most`` items (B, most) exist for a wanted count (B, 1, 1)."""
    return torch.arange(most, device=dice.device)[None, :] < count.reshape(-1, 1).floor()


def with_face(dice: Dice, plan: BeadPlan, look: Look) -> BeadPlan:
    """The plan with ripples as the look's face has them: flow lines, next to none, coarse ones."""
    d, p = dice, plan
    flow, flat, coarse = look.has("flow_lines"), look.has("glassy", "lumpy"), look.has("coarse")

    def instead(now: Tensor, flag: Tensor, then: Tensor) -> Tensor:
        return torch.where(flag > 0, then, now)

    pitch = instead(p.pitch, flow, d.uniform(3.5, 9.0))
    amp = instead(p.ripple_amp, flow, d.log_uniform(0.01, 0.07))
    amp = instead(amp, flat, d.log_uniform(0.0008, 0.009))
    return replace(
        p,
        pitch=instead(pitch, coarse, (p.width * d.log_uniform(0.16, 0.75)).clamp(1.4, 8.5)),
        pitch_jitter=instead(p.pitch_jitter, flow + coarse, d.uniform(0.12, 0.45)),
        ripple_amp=instead(amp, coarse, d.uniform(0.12, 0.28)),
        crescent=instead(p.crescent, flow, d.uniform(2.0, 8.0)),
        vee=instead(p.vee, flow, d.uniform(0.0, 1.0)),
    )


def lay_beside(
    dice: Dice, plan: BeadPlan, weld: Weld, s: Tensor, t: Tensor, look: Look | None, share: float, valley: float
) -> None:
    """Lay a second bead over the flank of the first or close to it, on a ``share`` of the batch: padding.

    Each keeps a face of its own, parted by a line of ``valley`` mm along the toe of the one on top.
    """
    d = dice
    way = torch.where(d.chance(0.5) > 0, 1.0, -1.0)
    beside = way * plan.width * d.uniform(0.6, 1.3)
    second = replace(
        plan,
        start=plan.start + 5 * d.normal(),
        end=plan.end + 5 * d.normal(),
        width=plan.width * torch.exp(0.08 * d.normal()),
        shift=beside if plan.shift is None else plan.shift + beside,
        restart=torch.zeros_like(plan.restart),
        slag=torch.zeros_like(plan.slag),
        strikes=torch.zeros_like(plan.strikes),
    )
    other = lay(d, second, s, t, look)
    flag = d.chance(share, 1, 1, 1)
    on_top = other.face * flag
    px = max(round(valley / float(s[1] - s[0])), 1)
    parted = 1 - (F.max_pool2d(on_top, 2 * px + 1, 1, px) - on_top)
    free = 1 - on_top
    weld.height = torch.where(flag > 0, torch.maximum(weld.height, other.height), weld.height)
    for name in ("face", "slag", "crack", "pore", "spatter"):
        setattr(weld, name, torch.maximum(getattr(weld, name) * free, getattr(other, name) * flag))
    kept = {name: torch.maximum(layer * free, other.maps[name] * flag) for name, layer in weld.maps.items()}
    weld.maps = kept | {"face": kept["face"] * parted, "crest": kept["crest"] * parted}


def lay(dice: Dice, plan: BeadPlan, s: Tensor, t: Tensor, look: Look | None = None) -> Weld:
    """Lay the planned beads over the grid of columns ``s`` (w,) and rows ``t`` (h,), both in mm, equal steps.

    Without a ``look`` every face has crosswise ripples, as the plan says.
    """
    d = dice
    p = plan if look is None else with_face(dice, plan, look)
    step = float(s[1] - s[0])
    h, w = len(t), len(s)
    along = s[None, None, :]

    # Width, path and toes along the seam.
    round_start, round_end = d.uniform(0.4, 0.62) * p.width, d.uniform(0.42, 0.65) * p.width
    x0 = ((along - p.start) / round_start).clamp(0, 1)
    x1 = ((p.end - along) / round_end).clamp(0, 1)
    ends = torch.sqrt((1 - (1 - x0) ** 2).clamp_min(0)) * torch.sqrt((1 - (1 - x1) ** 2).clamp_min(0))
    half = p.width / 2 * (1 + p.width_var * curve(d, w, step, d.uniform(8, 35)))
    half = half * (1 + d.uniform(0, 0.1) * torch.exp(-(((along - p.start) / p.width) ** 2)))
    mid = p.wave * curve(d, w, step, d.uniform(30, 80)) + d.uniform(-0.9, 0.9) * curve(d, w, step, d.uniform(60, 140))
    if p.shift is not None:
        mid = mid + p.shift
    reach_l = half + p.toe_rms * d.uniform(0.5, 1.1) * curve(d, w, step, p.toe_corr)
    reach_r = half + p.toe_rms * d.uniform(0.5, 1.1) * curve(d, w, step, p.toe_corr)

    # Ripple crests: cumulative, jittered pitches, as a phase table along the seam.
    # Flow lines reach so far back along the toes, also beyond the bead's start.
    drawn = 0.0 if look is None else 90.0
    most = int(((s[-1] - s[0]).item() + drawn) / 0.45) + 80
    gaps = p.pitch * (1 + p.pitch_jitter * d.normal(1, most)).clamp(0.35, 1.9)
    crests = (
        torch.maximum(p.start, s[0] - 20.0) + d.uniform(0.1, 1.2) * p.pitch + torch.cumsum(gaps, -1) - gaps[..., :1]
    )
    if look is not None:
        crests = crests - drawn * look.has("flow_lines")
    long_s = torch.arange(float(s[0]) - 30 - drawn, float(s[-1]) + 30, step, device=d.device)
    query = long_s.expand(d.batch, -1).contiguous()
    c = crests[:, 0].contiguous()
    right_of = torch.searchsorted(c, query).clamp(1, most - 1)
    before, after = torch.gather(c, 1, right_of - 1), torch.gather(c, 1, right_of)
    phase = (right_of - 1 + ((query - before) / (after - before))).clamp_min(0)[:, None]

    def at(where: Tensor) -> Tensor:
        return _interp(phase, (where - long_s[0]) / step)

    toe_phase_shift = p.crescent * p.width / 2
    wobble = torch.cos(2 * math.pi * at((along - toe_phase_shift)[..., None, :])[..., 0, :])
    reach_l, reach_r = reach_l + p.scallop * 0.5 * wobble, reach_r + p.scallop * 0.5 * wobble

    # Overlap: the toe rolls out over the plate for a while, steep at its edge.
    over_l = over_r = torch.zeros_like(half)
    for _ in range(2):
        a = torch.maximum(p.start, s[0] * torch.ones_like(p.start)) + d.uniform(0, 0.8) * (s[-1] - s[0])
        run = p.overlap * d.chance(0.7) * window(along, a, a + d.uniform(10, 40), d.uniform(0.8, 5))
        bulge = d.uniform(0.3, 1.3)
        is_left = d.chance(0.5)
        over_l = torch.maximum(over_l, run * bulge * is_left)
        over_r = torch.maximum(over_r, run * bulge * (1 - is_left))
    left = mid + (reach_l + over_l).clamp_min(0.8) * ends
    right = mid - (reach_r + over_r).clamp_min(0.8) * ends

    # Restart: a hollow or a hump across the bead with a step in width.
    s_restart = torch.maximum(p.start + 15, s[0] + d.uniform(0.1, 0.9) * (s[-1] - s[0]))
    real_restart = p.restart * (s_restart < p.end - 18).float()
    neck = real_restart * d.uniform(-0.02, 0.12) * torch.exp(-(((along - s_restart) / d.uniform(1.5, 4)) ** 2))
    left, right = left - neck * (left - mid), right - neck * (right - mid)

    span = (left - right).clamp_min(1e-3)
    lefts, rights = left[:, :, None, :], right[:, :, None, :]
    tt = t[None, None, :, None]
    ss = s[None, None, None, :]
    u = (2 * tt - lefts - rights) / span[:, :, None, :]
    under_way = ((along > p.start) & (along < p.end)).float()
    on = under_way[:, :, None, :]
    inside = (u.abs() < 1).float() * on

    def e4(v: Tensor) -> Tensor:
        return v[..., None] if v.dim() == 3 else v

    # Cross-section.
    asym, prof = e4(p.asym), e4(p.profile)
    within = u.clamp(-1, 1)
    lean = (within + 0.45 * asym * (1 - within * within)).clamp(-1, 1)
    steep = torch.where(u > 0, over_l[:, :, None, :], over_r[:, :, None, :])
    prof = prof + e4(p.roll) * steep.clamp(0, 1)
    dome = (1 - lean.abs().clamp(1e-4, 1) ** prof).clamp_min(0)
    rise = e4(p.height) * (1 + 0.06 * curve(d, w, step, d.uniform(6, 20)))[:, :, None, :]
    rise = rise * ends[:, :, None, :].clamp(0, 1) ** 0.6
    # On a fillet's leaning plates a toe stands up only where there is metal enough to roll out.
    rolled = over_r[:, :, None, :] + (over_l - over_r)[:, :, None, :] * smoothstep(within / 2 + 0.5)
    body = (rise + 0.9 * e4(p.fillet) * rolled) * dome

    # Ripples: crescents, apex back to the start, arms sweeping forward at the toes.
    g = (1 - e4(p.vee)) * u * u + e4(p.vee) * torch.sqrt(u * u + 0.004)
    warp = 0.25 * e4(d.uniform(0.1, 1)) * cloud(d, h, w, 5.0 / step, 2) * e4(p.pitch) * 0.5
    if look is not None:
        warp = warp * (1 + 1.5 * e4(look.has("flow_lines", "coarse")))
    s_ripple = ss - e4(p.crescent) * e4(p.width) / 2 * g - e4(p.skew) * e4(p.width) / 2 * u + warp
    centre = p.end - d.uniform(0.48, 0.72) * p.width
    r_crater = torch.sqrt((ss - e4(centre)) ** 2 + (tt - (lefts + rights) / 2) ** 2)
    ripple_phase = at(s_ripple)
    ring = torch.sigmoid((e4(d.uniform(0.22, 0.42)) * e4(p.width) - r_crater) / 0.5) * e4(d.chance(0.85))
    end_cap = torch.sigmoid((ss - e4(centre)) / 0.8)
    ring_wave = torch.cos(2 * math.pi * r_crater / (e4(p.pitch) * 0.75))
    sharp = e4(d.uniform(0, 0.5))
    tilt = e4(d.normal()) * 0.8
    wave = torch.cos(2 * math.pi * ripple_phase) + sharp * torch.cos(4 * math.pi * ripple_phase + tilt)
    fade = (1 - u.abs().clamp(0, 1) ** 8) * (1 - end_cap) + 0
    strength = (1 + 0.5 * cloud(d, h, w, 8.0 / step, 2)).clamp(0.15, 2)
    amp = e4(p.ripple_amp) * (1 - 0.55 * e4(d.chance(0.25)))
    ripples = amp * strength * (wave * fade * (1 - ring) + 0.7 * ring_wave * ring)
    lumps = e4(d.log_uniform(0.01, 0.14)) * cloud(d, h, w, 6.0 / step, 2) + e4(d.uniform(0.003, 0.012)) * cloud(
        d, h, w, 3, 2
    )
    if look is not None:
        lumps = lumps + e4(look.has("lumpy") * d.uniform(0.08, 0.35)) * cloud(d, h, w, 9.0 / step, 3)

    # Crater.
    hollow_depth = torch.where(p.unfilled > 0, d.uniform(0.45, 2.4), d.uniform(0.0, 0.16))
    r0 = e4(d.uniform(0.24, 0.52) * p.width)
    rippled = torch.where(
        e4(p.still) > 0, torch.sigmoid((r_crater - e4(p.still) * r0) / 0.4), torch.ones_like(r_crater)
    )
    height = body + inside * (ripples * rippled * (1 - u.abs().clamp(0, 1) ** 12) + lumps * dome.clamp(0, 1))
    dish = e4(hollow_depth) * (1 - smoothstep((r_crater / r0) ** e4(d.uniform(0.8, 1.6)))) * inside
    rim = 0.15 * e4(hollow_depth) * torch.exp(-(((r_crater - r0) / (0.2 * r0)) ** 2)) * inside
    height = height - dish + rim
    hollow = (r_crater < r0).float() * e4(p.unfilled) * inside
    angle = torch.atan2(tt - (lefts + rights) / 2, ss - e4(centre))
    crack = torch.zeros_like(height)
    wig = cloud(d, h, w, 1.5 / step, 2)
    has_crack = e4(p.crack * p.unfilled)
    for _ in range(4):
        a = e4(d.uniform(-math.pi, math.pi))
        off = (torch.sin(angle - a) * r_crater + 0.12 * wig).abs()
        ahead = (torch.cos(angle - a) > 0).float() * (r_crater < r0 * e4(d.uniform(0.4, 0.9))).float()
        crack = torch.maximum(crack, has_crack * ahead * torch.sigmoid((0.09 - off) / 0.03))
    crack = crack * inside
    height = height - 0.5 * crack

    # Restart relief.
    x = ss - e4(s_restart) - e4(p.crescent) * e4(p.width) / 2 * g * 0.6
    long = e4(d.uniform(0.9, 2.4))
    size = e4(d.uniform(0.45, 1.1))
    hump = smoothstep(x / 0.6 + 0.5) * torch.exp(-((x.clamp_min(0) / (3.5 * long)) ** 1.5))
    dip = -torch.exp(-((x / long) ** 2)) + 0.5 * torch.exp(-(((x - 2.2 * long) / long) ** 2))
    kind = e4(d.chance(0.5))
    height = height + e4(real_restart) * size * dome.sqrt() * inside * (kind * hump + (1 - kind) * dip)
    restart_map = e4(real_restart) * ((ss - e4(s_restart)).abs() < 3.0).float() * inside

    # Fillet: two plates as a V, the bead bridges it.
    chord = rights.abs() + (lefts.abs() - rights.abs()) * ((tt - rights) / span[:, :, None, :]).clamp(0, 1)
    valley = e4(p.fillet) * torch.where(inside > 0, torch.maximum(chord, tt.abs()), tt.abs())

    # Undercut: grooves at the toes. The weld's look need not end where the section meets the plate.
    groove = torch.zeros_like(height)
    metal = inside
    shallow = torch.zeros_like(height)
    deep = torch.zeros_like(height)
    runs: list[tuple[str, Tensor, Tensor, Tensor, Tensor]] = []
    for side in ("left", "right"):
        toe = lefts if side == "left" else rights
        out = (tt - toe) if side == "left" else (toe - tt)
        for _ in range(2):
            a = torch.maximum(p.start + 3, s[0] - 15.0 + d.uniform(0, 1) * (s[-1] - s[0] + 10))
            b = torch.minimum(a + d.log_uniform(7, 60), p.end - 4)
            most_deep = d.log_uniform(0.15, 1.3) * p.undercut * d.chance(0.6)
            depth = (
                most_deep
                * window(along, a, b, d.uniform(2, 7))
                * (1 + 0.3 * curve(d, w, step, d.uniform(2, 8))).clamp(0.2, 1.6)
            )
            depth = depth * (b > a + 3).float()
            wide = d.uniform(0.4, 1.7)
            c0 = d.uniform(0.05, 0.6)
            xg = out / e4(wide) - e4(c0)
            shape = torch.cos(math.pi * xg.clamp(-0.5, 0.5)).clamp_min(0) ** e4(d.uniform(0.7, 1.6))
            dd = depth[:, :, None, :]
            groove = torch.maximum(groove, dd * shape)
            strip = (xg.abs() < 0.5).float()
            metal = torch.maximum(metal, strip * (xg < e4(p.run_in) - 0.5).float() * (dd > 0.05).float())
            shallow = torch.maximum(shallow, strip * (dd > 0.15).float())
            deep = torch.maximum(deep, strip * (dd > 0.5).float())
            runs.append((side, a, b, depth, wide))
    height = height - groove

    overlap_map = (
        torch.maximum(
            (over_l[:, :, None, :] > 0.25).float() * ((tt - lefts).abs() < 0.9).float(),
            (over_r[:, :, None, :] > 0.25).float() * ((tt - rights).abs() < 0.9).float(),
        )
        * on
    )

    # Spatter, pores, slag islands, arc strikes.
    flat = torch.full_like(height, -1e3)
    spatter_raw = flat.clone()
    n = 110
    live = _exists(d, p.spatter, n)
    dia = (
        0.25
        + d.uniform(0.15, 0.8, 1) * torch.empty((d.batch, n), device=d.device).exponential_(1.0, generator=d.generator)
    ).clamp(0.25, 2.6)
    far = d.uniform(5, 40, 1)
    cs = d.uniform(0, 1, n) * (s[-1] - s[0]) + s[0]
    side = torch.where(d.chance(0.5, n) > 0, 1.0, -1.0)
    away = torch.empty((d.batch, n), device=d.device).exponential_(1.0, generator=d.generator) * far * 0.5
    ct = side * (p.width.reshape(-1, 1) * d.uniform(0.25, 0.5, n) + away)
    if look is not None:  # a row of fine balls along the toes
        row = (look.toe_spatter.reshape(-1, 1) > 0) & (torch.arange(n, device=d.device) % 3 > 0)[None]
        here = ((cs - s[0]) / step).long().clamp(0, w - 1)
        toe = torch.where(side > 0, torch.gather(left[:, 0], 1, here), torch.gather(right[:, 0], 1, here))
        ct = torch.where(row, toe + side * 0.06 * away, ct)
        dia = torch.where(row, dia.clamp(0.25, 0.7), dia)
    cs = torch.where(live, cs, torch.full_like(cs, -1e4))
    sink = d.uniform(0.2, 0.75, n)
    rad = dia / 2

    def ball(ds: Tensor, dt: Tensor) -> Tensor:
        r = rad[:, :, None, None]
        rr = (ds * ds + dt * dt) / (r * r)
        return torch.where(
            rr < 1, r * (torch.sqrt((1 - rr).clamp_min(0)) + sink[:, :, None, None]), torch.full_like(rr, -1e3)
        )

    _stamp(spatter_raw, s, t, cs, ct, int(1.4 / step) + 1, ball)
    spatter = (spatter_raw > 0).float()

    pore_raw = flat.clone()
    m = 7
    live_p = _exists(d, p.pores, m)
    pd = d.uniform(0.5, 2.2, m)
    first = torch.maximum(p.start + 3, s[0] * torch.ones_like(p.start)).reshape(-1, 1)
    last = torch.minimum(p.end - 4, s[-1] * torch.ones_like(p.end)).reshape(-1, 1)
    ps = first + d.uniform(0, 1, m) * (last - first).clamp_min(1)
    idx = ((ps - s[0]) / step).long().clamp(0, w - 1)
    pl, pr = torch.gather(left[:, 0], 1, idx), torch.gather(right[:, 0], 1, idx)
    pt = (pl + pr) / 2 + d.uniform(-0.8, 0.8, m) * (pl - pr) / 2
    ps = torch.where(live_p, ps, torch.full_like(ps, -1e4))
    squash = d.uniform(0.6, 1, m)

    def hole(ds: Tensor, dt: Tensor) -> Tensor:
        r = pd[:, :, None, None] / 2
        rr = (ds * ds + (dt / squash[:, :, None, None]) ** 2) / (r * r)
        return torch.where(rr < 1, 1 - rr**3, torch.full_like(rr, -1e3))

    _stamp(pore_raw, s, t, ps, pt, int(1.2 / step) + 1, hole)
    pore = pore_raw.clamp_min(0) * inside

    slag = torch.zeros_like(height)
    strike = torch.zeros_like(height)
    strike_relief = torch.zeros_like(height)
    ragged = cloud(d, h, w, 1.2 / step, 3)
    islands: list[tuple[Tensor, Tensor, Tensor, Tensor]] = []
    strike_spots: list[tuple[Tensor, Tensor, Tensor, Tensor, Tensor]] = []
    for k in range(4):
        live_s = e4((p.slag.floor() > k).float())
        cs1 = torch.maximum(p.start + 4, s[0] + d.uniform(0, 1) * (s[-1] - s[0]))
        i1 = ((cs1 - s[0]) / step).long().clamp(0, w - 1)
        toe = torch.where(d.chance(0.5) > 0, torch.gather(left, 2, i1), torch.gather(right, 2, i1))
        near = torch.where(d.chance(0.6) > 0, toe + d.normal() * 0.3, d.uniform(-0.8, 0.8) * p.width / 2)
        half_s, half_t = d.uniform(0.8, 3.2), d.uniform(0.4, 1.2)
        islands.append((cs1, near, half_s, half_t))
        q = ((ss - e4(cs1)) / e4(half_s)) ** 2 + ((tt - e4(near)) / e4(half_t)) ** 2
        blob = torch.sigmoid((1 - q + 0.35 * ragged) * 6) * (q < 3).float() * live_s
        slag = torch.maximum(slag, blob * (ss < e4(p.end)).float())
    for k in range(3):
        live_a = e4((p.strikes.floor() > k).float())
        cs1, ct1 = (
            s[0] + d.uniform(0, 1) * (s[-1] - s[0]),
            torch.where(d.chance(0.5) > 0, 1.0, -1.0) * (p.width / 2 + d.uniform(2, 14)),
        )
        a, size_a, tail = e4(d.uniform(0, 2 * math.pi)), e4(d.uniform(0.6, 1.8)), e4(d.uniform(1, 5))
        strike_spots.append((cs1, ct1, size_a, tail, a))
        xa = (ss - e4(cs1)) * torch.cos(a) + (tt - e4(ct1)) * torch.sin(a)
        ya = (
            -(ss - e4(cs1)) * torch.sin(a)
            + (tt - e4(ct1)) * torch.cos(a)
            + 0.25 * torch.sin(xa * e4(d.uniform(0.5, 2)))
        )
        along_tail = xa - xa.clamp(torch.zeros_like(tail), tail)
        q = (along_tail**2 + ya**2) / (size_a * (1 - 0.5 * (xa / tail).clamp(0, 1))) ** 2
        q = q + 0.3 * ragged
        here = (q < 1).float() * live_a * (1 - inside)
        strike = torch.maximum(strike, here)
        strike_relief = strike_relief + live_a * (1 - inside) * (
            0.22 * torch.exp(-((q - 1) ** 2) * 6) - 0.16 * torch.sigmoid((0.7 - q) * 8)
        )

    height = height + slag * (e4(d.uniform(0.08, 0.35)) + 0.05 * ragged) + strike_relief
    height = height - pore * e4(d.uniform(0.4, 1.2))
    bare = height.clone()
    height = torch.where(spatter > 0, torch.maximum(height, bare + spatter_raw.clamp(-5, 5)), height)

    frac = ripple_phase - ripple_phase.round()
    crest = torch.exp(-((frac / 0.13) ** 2) / 2) * inside * (1 - ring) * (1 - end_cap) * (ripple_phase > 0.02).float()
    crest = crest * rippled
    crosswise = torch.ones_like(p.start) if look is None else look.crosswise
    crest = crest * e4(crosswise)
    maps = {
        "face": inside,
        "undercut": shallow,
        "undercut_deep": deep,
        "spatter": spatter,
        "pore": (pore > 0.05).float(),
        "crater": (r_crater < r0).float() * inside,
        "crater_hollow": hollow,
        "crater_crack": (crack > 0.3).float(),
        "restart": restart_map,
        "overlap": overlap_map,
        "slag": (slag > 0.5).float(),
        "arc_strike": strike,
        "crest": crest,
        "forward": torch.ones_like(inside),
    }
    truth: dict[str, Any] = {
        "plan": p,
        "crosswise": crosswise,
        "centre": centre,
        "restart_at": s_restart,
        "restart": real_restart,
        "restart_size": size,
        "restart_hump": kind,
        "runs": runs,
        "balls": (cs, ct, dia),
        "pores": (ps, pt, pd),
        "over": (over_l, over_r),
        "hollow_depth": hollow_depth,
        "crater_radius": r0,
        "rise": rise,
        "islands": islands,
        "strikes": strike_spots,
    }
    return Weld(
        height=height + valley,
        face=metal,
        left=left,
        right=right,
        inside=under_way,
        maps=maps,
        slag=slag,
        crack=crack,
        pore=(pore > 0.02).float(),
        spatter=spatter,
        truth=truth,
    )
