"""Random fields: smooth curves along the seam and cloudy or streaky textures over the plate."""

from __future__ import annotations

import math

import torch
import torch.nn.functional as F
from torch import Tensor


class Dice:
    """All randomness of a batch, from one seeded generator on one device."""

    def __init__(self, seed: int, batch: int, device: str = "cpu") -> None:
        self.generator = torch.Generator(device=device).manual_seed(seed)
        self.batch, self.device = batch, device

    def uniform(self, low: float, high: float, *shape: int) -> Tensor:
        """Uniform draws (B, *shape); without a shape (B, 1, 1)."""
        size = (self.batch, *(shape or (1, 1)))
        return low + (high - low) * torch.rand(size, generator=self.generator, device=self.device)

    def normal(self, *shape: int) -> Tensor:
        """Standard normal draws (B, *shape); without a shape (B, 1, 1)."""
        return torch.randn((self.batch, *(shape or (1, 1))), generator=self.generator, device=self.device)

    def log_uniform(self, low: float, high: float, *shape: int) -> Tensor:
        """Draws uniform in the logarithm."""
        return torch.exp(self.uniform(math.log(low), math.log(high), *shape))

    def chance(self, p: float, *shape: int) -> Tensor:
        """1.0 with probability p, else 0.0."""
        return (self.uniform(0, 1, *shape) < p).float()

    def whole(self, n: int) -> int:
        """One whole number below n for the entire batch."""
        return int(torch.randint(n, (1,), generator=self.generator, device=self.device))


def curve(dice: Dice, n: int, step: float, corr: Tensor) -> Tensor:
    """Gaussian-correlated unit-rms curve (B, 1, n) with correlation length ``corr`` (B, 1, 1) mm at ``step`` mm."""
    pad = n
    white = torch.fft.rfft(dice.normal(1, n + pad))
    freq = torch.fft.rfftfreq(n + pad, d=step, device=dice.device)
    gain = torch.exp(-((math.pi * freq * corr) ** 2) / 2)
    smooth = torch.fft.irfft(white * gain, n=n + pad)[..., :n]
    power = (gain**2).sum(-1, keepdim=True) * 2 / (n + pad)
    return smooth / torch.sqrt(power + 1e-9)


def cloud(dice: Dice, h: int, w: int, cell: float, octaves: int = 3, stretch: float = 1.0) -> Tensor:
    """Cloudy noise (B, 1, h, w), about unit rms; ``cell`` px is the coarsest blob, ``stretch`` > 1 draws it out
    along w."""
    out = torch.zeros((dice.batch, 1, h, w), device=dice.device)
    total = 0.0
    for k in range(octaves):
        size = max(cell / 2**k, 1.0)
        gh, gw = max(int(h / size) + 3, 4), max(int(w / (size * stretch)) + 3, 4)
        layer = F.interpolate(dice.normal(1, gh, gw), size=(h, w), mode="bicubic", align_corners=False)
        out = out + layer * 0.6**k
        total += 0.36**k
    return out / math.sqrt(total * 0.6)


def rotated(field: Tensor, angle: Tensor) -> Tensor:
    """A texture (B, C, h, w) turned about its centre by ``angle`` (B, 1, 1) rad, mirrored at the borders."""
    a = angle.reshape(-1)
    theta = torch.zeros((len(a), 2, 3), device=field.device)
    ratio = field.shape[2] / field.shape[3]
    theta[:, 0, 0], theta[:, 0, 1] = torch.cos(a), -torch.sin(a) * ratio
    theta[:, 1, 0], theta[:, 1, 1] = torch.sin(a) / ratio, torch.cos(a)
    grid = F.affine_grid(theta, list(field.shape), align_corners=False)
    return F.grid_sample(field, grid, padding_mode="reflection", align_corners=False)


def streaks(dice: Dice, h: int, w: int, angle: Tensor, width: float, length: float) -> Tensor:
    """Grinding marks (B, 1, h, w): noise drawn out along ``angle``; ``width`` and ``length`` in px."""
    base = cloud(dice, h, w, width, octaves=2, stretch=length / width)
    return rotated(base, angle)


def smoothstep(x: Tensor) -> Tensor:
    """0 below 0, 1 above 1, smooth between."""
    x = x.clamp(0, 1)
    return x * x * (3 - 2 * x)


def window(s: Tensor, start: Tensor, end: Tensor, ramp: Tensor | float) -> Tensor:
    """1 between start and end, falling to 0 over ``ramp`` at both ends."""
    return smoothstep((s - start) / ramp) * smoothstep((end - s) / ramp)
