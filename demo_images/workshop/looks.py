"""Looks as varied as real beads have: faces without crosswise ripples, bands beside the toes, plates, colours, islands.

How often and how strongly each is drawn is our own choice, by what the networks got wrong on photos of other making.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from .noise import Dice, cloud, smoothstep

#: What the face of a bead is like, and how many beads in a hundred are so. Flow lines run nearly along the travel.
FACES = {"ripples": 42, "flow_lines": 20, "glassy": 15, "coarse": 13, "lumpy": 10}
_CROSSWISE = ("ripples", "coarse")

#: Colours (R, G, B) of the light that a face mirrors and of what it scatters, 0..1.
_TONES = (
    ((0.62, 0.61, 0.60), (0.10, 0.10, 0.10)),  # grey
    ((0.85, 0.85, 0.86), (0.26, 0.26, 0.26)),  # blown silver
    ((0.60, 0.42, 0.22), (0.09, 0.06, 0.03)),  # bronze
    ((0.34, 0.44, 0.78), (0.04, 0.05, 0.09)),  # blue
    ((0.78, 0.64, 0.32), (0.12, 0.09, 0.04)),  # straw
    ((0.07, 0.07, 0.08), (0.02, 0.02, 0.02)),  # dark
    ((0.10, 0.07, 0.06), (0.24, 0.12, 0.06)),  # rust
    ((0.55, 0.30, 0.55), (0.06, 0.04, 0.06)),  # violet
    ((0.30, 0.34, 0.38), (0.20, 0.22, 0.24)),  # dull blue-grey
)
#: Plates: ground colour, the colour of patches on it, and how hard these end.
_PLATES = (
    ((0.16, 0.13, 0.15), (0.26, 0.16, 0.07), 1.2),  # oxidised
    ((0.30, 0.30, 0.31), (0.02, 0.02, 0.02), 5.0),  # scaling off
    ((0.24, 0.24, 0.25), (0.18, 0.18, 0.19), 1.0),  # grey primer
    ((0.26, 0.06, 0.045), (0.20, 0.05, 0.04), 1.0),  # red primer
    ((0.065, 0.048, 0.042), (0.11, 0.075, 0.055), 1.5),  # brown scale
    ((0.10, 0.10, 0.10), (0.30, 0.15, 0.07), 4.0),  # rust spots
    ((0.17, 0.16, 0.15), (0.07, 0.065, 0.06), 3.0),  # stained
)
#: Bands beside a toe: soot, orange oxide, brown oxide, pale ring, grey fume.
_BANDS = ((0.025, 0.023, 0.022), (0.32, 0.15, 0.06), (0.13, 0.08, 0.05), (0.52, 0.50, 0.47), (0.16, 0.16, 0.17))


@dataclass(frozen=True, slots=True)
class Look:
    """One look for each bead of a batch; every entry (B, 1, 1)."""

    #: Index into :data:`FACES`.
    face: Tensor
    #: Whether a row of fine spatter lies along the toes.
    toe_spatter: Tensor

    def has(self, *faces: str) -> Tensor:
        """1.0 where the face is one of these (B, 1, 1)."""
        return torch.stack([(self.face == list(FACES).index(name)).float() for name in faces]).sum(0)

    @property
    def crosswise(self) -> Tensor:
        """1.0 where crosswise ripples show (B, 1, 1)."""
        return self.has(*_CROSSWISE)


def any_look(dice: Dice) -> Look:
    """A look for each bead of a batch."""
    share = torch.tensor(list(FACES.values()), device=dice.device).cumsum(0) / sum(FACES.values())
    drawn = dice.uniform(0, 1)
    face = torch.bucketize(drawn, share).clamp(max=len(FACES) - 1)
    return Look(face=face, toe_spatter=dice.chance(0.3))


def _pick(dice: Dice, table: Tensor) -> Tensor:
    """One row of a table (N, C) for each of the batch (B, C, 1, 1), a little off."""
    at = (dice.uniform(0, 1, 1)[:, 0] * len(table)).long().clamp(max=len(table) - 1)
    return table[at][:, :, None, None] * torch.exp(0.18 * dice.normal(1, 1, 1)) * (1 + 0.06 * dice.normal(3, 1, 1))


@dataclass(slots=True)
class Stuff:
    """What a place is made of: diffuse and mirror colours (B, 3, h, w), roughness and height (B, 1, h, w)."""

    albedo: Tensor
    mirror: Tensor
    rough: Tensor
    height: Tensor

    def cover(self, share: Tensor, albedo: Tensor, mirror: Tensor | float, rough: Tensor | float) -> None:
        """Lay another stuff over it where ``share`` (B, 1, h, w) is 1."""
        self.albedo = self.albedo + (albedo - self.albedo) * share
        self.mirror = self.mirror + (mirror - self.mirror) * share
        self.rough = self.rough + (rough - self.rough) * share


def plate_look(dice: Dice, stuff: Stuff, across: Tensor, step: float) -> None:
    """Oxidised, primed, painted, stained or two-tone plate; ``across`` (B, 1, h, w) mm from the bead's middle."""
    d = dice
    h, w = stuff.height.shape[-2:]
    dev = d.device

    def q(low: float, high: float) -> Tensor:
        return d.uniform(low, high, 1, 1, 1)

    patches = cloud(d, h, w, 14.0 / step, 5)
    grain = cloud(d, h, w, 2.5, 2)
    ground = torch.tensor([p[0] for p in _PLATES], device=dev)
    patch = torch.tensor([p[1] for p in _PLATES], device=dev)
    hard = torch.tensor([p[2] for p in _PLATES], device=dev)
    at = (d.uniform(0, 1, 1)[:, 0] * len(_PLATES)).long().clamp(max=len(_PLATES) - 1)
    # Paint of any colour on one plate in five, chipped here and there.
    hue = torch.rand((d.batch, 3, 1, 1), generator=d.generator, device=dev)
    paint = (hue * hue * 0.7 + 0.02) * q(0.5, 1.0)
    painted = d.chance(0.2, 1, 1, 1)
    shade = torch.exp(0.3 * d.normal(1, 1, 1)) * (1 + 0.06 * d.normal(3, 1, 1))
    one = ground[at][:, :, None, None] * shade
    one = one + (paint - one) * painted
    two = patch[at][:, :, None, None] * shade
    two = two + (paint * q(0.75, 1.0) - two) * painted
    spots = smoothstep((patches - q(-0.3, 1.6)) * hard[at][:, None, None, None] * 0.5 + 0.5)
    colour = (one + (two - one) * spots) * (1 + 0.05 * grain + 0.05 * patches)
    matt = q(0.02, 0.16)
    here = d.chance(0.62, 1, 1, 1) * torch.ones_like(stuff.height)
    bare = smoothstep((cloud(d, h, w, 8.0 / step, 3) - q(1.6, 4.0)) * 4)  # worn through to the steel
    stuff.cover(
        here * (1 - bare), colour.clamp(0.004, 0.95), matt.expand_as(colour), q(0.3, 0.7).expand_as(stuff.rough)
    )
    # Two plates of different brightness meet under the bead; light falls off away from it.
    sides = torch.sigmoid((across - q(-2, 2)) / 0.3)
    two_tone = d.chance(0.22, 1, 1, 1)
    darker = torch.where(d.chance(0.5, 1, 1, 1) > 0, sides, 1 - sides) * two_tone * q(0.3, 0.85)
    stuff.albedo, stuff.mirror = stuff.albedo * (1 - darker), stuff.mirror * (1 - darker)


def toe_bands(dice: Dice, stuff: Stuff, away: Tensor, across: Tensor, width: Tensor, face: Tensor, step: float) -> None:
    """Up to two bands along each toe: soot, oxide, a pale ring; ``away`` (B, 1, h, w) mm outside the bead's outline."""
    d = dice
    h, w = away.shape[-2:]
    table = torch.tensor(_BANDS, device=d.device)
    ragged = cloud(d, h, w, 5.0 / step, 4)
    fine = cloud(d, h, w, 1.2 / step, 2)

    def q(low: float, high: float) -> Tensor:
        return d.uniform(low, high, 1, 1, 1)

    busy = d.chance(0.8, 1, 1, 1)
    for side in (1.0, -1.0):
        here = torch.sigmoid((side * across + 0.3 * ragged) / 0.15) * (1 - face) * busy
        for k in range(2):
            noise = torch.roll(ragged, (int(side) * 37 + 91 * k, 173 * k + 60), (-2, -1))
            wander = q(0.02, 0.16) * width * noise
            inner = torch.where(d.chance(0.7, 1, 1, 1) > 0, q(-0.6, 0.0), q(0.02, 0.3) * width)
            outer = inner.clamp_min(0) + q(0.03, 0.55) * width
            hard = d.log_uniform(0.05, 0.9, 1, 1, 1)
            share = torch.sigmoid((outer + wander - away) / hard) * torch.sigmoid((away - inner - 0.5 * wander) / hard)
            share = share * here * d.chance(0.42, 1, 1, 1) * q(0.55, 1.0)
            share = share * (1 - q(0, 0.6) * smoothstep(fine + q(-0.6, 1.2)))
            stuff.cover(share, _pick(d, table).expand_as(stuff.albedo), 0.03, 0.6)


def face_look(dice: Dice, stuff: Stuff, u: Tensor, face: Tensor, step: float) -> None:
    """Weld metal from blown silver over bronze and blue to rust, glossy islands; ``u`` is -1..1 between the toes."""
    d = dice
    h, w = u.shape[-2:]

    def q(low: float, high: float) -> Tensor:
        return d.uniform(low, high, 1, 1, 1)

    mirrors = torch.tensor([m for m, _ in _TONES], device=d.device)
    scatters = torch.tensor([a for _, a in _TONES], device=d.device)
    clouds = cloud(d, h, w, 7.0 / step, 3, stretch=2.0)
    second = smoothstep(clouds * q(0.3, 1.5) + q(-0.6, 1.0)) * d.chance(0.6, 1, 1, 1)
    at = (d.uniform(0, 1, 2) * len(_TONES)).long().clamp(max=len(_TONES) - 1)
    bright = torch.exp(0.35 * d.normal(1, 1, 1))

    def both(table: Tensor) -> Tensor:
        one, two = (table[at[:, k]][:, :, None, None] for k in (0, 1))
        return one + (two - one) * second

    toned = face * d.chance(0.6, 1, 1, 1) * q(0.5, 1.0)
    mirror, albedo = both(mirrors) * bright, both(scatters) * bright
    stuff.cover(toned, albedo.clamp(0.003, 0.8), mirror.clamp(0.01, 0.95), q(0.12, 0.5).expand_as(stuff.rough))
    # Islands of glass and oxide, mostly along the middle, and a dark or rusty rim along a toe.
    field = cloud(d, h, w, 2.6 / step, 3, stretch=1.7) + q(0.4, 1.3) * torch.exp(-((u / q(0.25, 0.9)) ** 2))
    islands = smoothstep((field - q(1.4, 2.6)) * q(2.5, 8)) * face * d.chance(0.45, 1, 1, 1)
    tint = torch.tensor(
        [(0.30, 0.15, 0.07), (0.09, 0.035, 0.02), (0.34, 0.24, 0.17), (0.02, 0.02, 0.02)], device=d.device
    )
    glossy = d.chance(0.5, 1, 1, 1)
    stuff.cover(
        islands,
        _pick(d, tint).expand_as(stuff.albedo),
        (0.04 + 0.08 * glossy).expand_as(stuff.mirror),
        (0.6 - 0.48 * glossy).expand_as(stuff.rough),
    )
    stuff.height = stuff.height + islands * q(-0.05, 0.25)


__all__ = ["FACES", "Look", "Stuff", "any_look", "face_look", "plate_look", "toe_bands"]
