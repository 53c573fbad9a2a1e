"""What a phone makes of the light: exposure, blur, noise, white balance, tone curve, sharpening, JPEG."""

from __future__ import annotations

import math

import torch
import torch.nn.functional as F
from torch import Tensor

from .noise import Dice

_LUMA = (0.299, 0.587, 0.114)


def _blur(image: Tensor, sigma_x: Tensor, sigma_y: Tensor, size: int = 13) -> Tensor:
    """Separable Gaussian blur with a sigma (B,) for each image."""
    b, c = image.shape[:2]
    x = torch.arange(size, device=image.device) - size // 2
    out = image.reshape(1, b * c, *image.shape[2:])
    for axis, sigma in ((3, sigma_x), (2, sigma_y)):
        k = torch.exp(-(x[None] ** 2) / (2 * sigma[:, None].clamp_min(0.05) ** 2))
        k = (k / k.sum(1, keepdim=True)).repeat_interleave(c, 0)
        k = k[:, None, None, :] if axis == 3 else k[:, None, :, None]
        pad = (size // 2, size // 2, 0, 0) if axis == 3 else (0, 0, size // 2, size // 2)
        out = F.conv2d(F.pad(out, pad, mode="replicate"), k, groups=b * c)
    return out.reshape(image.shape)


def jpeg(image: Tensor, quality: Tensor) -> Tensor:
    """Blockwise cosine quantisation (B,3,H,W in 0..1, sides multiples of 16) at ``quality`` (B,) of 1..100."""
    b, _, h, w = image.shape
    dev = image.device
    lum = torch.tensor(
        [
            16,
            11,
            10,
            16,
            24,
            40,
            51,
            61,
            12,
            12,
            14,
            19,
            26,
            58,
            60,
            55,
            14,
            13,
            16,
            24,
            40,
            57,
            69,
            56,
            14,
            17,
            22,
            29,
            51,
            87,
            80,
            62,
            18,
            22,
            37,
            56,
            68,
            109,
            103,
            77,
            24,
            35,
            55,
            64,
            81,
            104,
            113,
            92,
            49,
            64,
            78,
            87,
            103,
            121,
            120,
            101,
            72,
            92,
            95,
            98,
            112,
            100,
            103,
            99,
        ],
        device=dev,
        dtype=image.dtype,
    ).reshape(8, 8)  # ITU-T T.81 table K.1
    scale = torch.where(quality < 50, 50 / quality, 2 - quality / 50)[:, None, None, None, None]
    k = torch.arange(8, device=dev, dtype=image.dtype)
    basis = torch.cos((2 * k[None] + 1) * k[:, None] * math.pi / 16) * 0.5
    basis[0] = math.sqrt(1 / 8)
    r, g, bl = image[:, 0] * 255, image[:, 1] * 255, image[:, 2] * 255
    y = _LUMA[0] * r + _LUMA[1] * g + _LUMA[2] * bl
    chroma = torch.stack([(bl - y) * 0.564, (r - y) * 0.713], 1)
    chroma = F.interpolate(F.avg_pool2d(chroma, 2), scale_factor=2, mode="bilinear")
    blocks = (y - 128).reshape(b, h // 8, 8, w // 8, 8).permute(0, 1, 3, 2, 4)
    freq = basis @ blocks @ basis.T
    table = (lum * scale).clamp_min(1)
    freq = torch.round(freq / table) * table
    y = (basis.T @ freq @ basis).permute(0, 1, 3, 2, 4).reshape(b, h, w) + 128
    cb, cr = chroma[:, 0], chroma[:, 1]
    return (torch.stack([y + 1.402 * cr, y - 0.344 * cb - 0.714 * cr, y + 1.772 * cb], 1) / 255).clamp(0, 1)


def develop(
    radiance: Tensor,
    dice: Dice,
    blur_px: Tensor,
    grain_px: float = 1.0,
    compress: bool = True,
    bright_to: float | None = None,
) -> Tensor:
    """Radiance (B,3,H,W) to a display-referred photo (B,3,H,W) in 0..1; ``blur_px`` (B,) is the optics' sigma.

    ``bright_to`` exposes for the bright parts, as a phone does; without it the exposure is anyone's guess.
    """
    d = dice
    b, _, h, w = radiance.shape

    def one(low: float, high: float) -> Tensor:
        return d.uniform(low, high, 1, 1, 1)

    luma = (radiance * torch.tensor(_LUMA, device=radiance.device)[None, :, None, None]).sum(1, keepdim=True)
    key = torch.exp(torch.log(luma + 1e-3).mean(dim=(2, 3), keepdim=True))
    bright = torch.quantile(luma[:, :, ::7, ::7].reshape(b, -1), 0.985, dim=1).reshape(b, 1, 1, 1)
    gain = torch.minimum(torch.exp(one(-3.6, -1.2)) / key, one(0.7, 2.4) / bright)
    if bright_to is not None:
        gain = bright_to / bright
    x = radiance * gain * torch.exp(d.normal(1, 1, 1) * 0.22)
    ramp = torch.linspace(-1, 1, w, device=x.device)[None, None, None, :] * one(-0.5, 0.5) + torch.linspace(
        -1, 1, h, device=x.device
    )[None, None, :, None] * one(-0.5, 0.5)
    x = x * torch.exp(ramp)
    wb = 1 + 0.04 * d.normal(3, 1, 1)
    x = x * wb
    aspect = d.uniform(0.75, 1.33, 1)[:, 0]
    motion = d.chance(0.4, 1)[:, 0] * d.uniform(0, 1.3, 1)[:, 0]
    x = _blur(x, blur_px * aspect + motion * d.chance(0.5, 1)[:, 0], blur_px / aspect + motion * d.chance(0.5, 1)[:, 0])
    photon, read = one(0.002, 0.016), one(0.0005, 0.005)
    noise = d.normal(3, h, w)
    if grain_px > 1:
        noise = (
            _blur(
                noise, torch.full((b,), grain_px / 2, device=x.device), torch.full((b,), grain_px / 2, device=x.device)
            )
            * grain_px
        )
    x = x + noise * torch.sqrt(photon**2 * x.clamp_min(0) + read**2)
    x = x.clamp_min(0)
    knee = one(0.6, 1.0)
    x = torch.where(x > knee, knee + (1 - knee) * (1 - torch.exp(-(x - knee) / (1 - knee + 1e-3))), x).clamp(0, 1)
    x = torch.where(x <= 0.0031308, 12.92 * x, 1.055 * x.clamp_min(1e-6) ** (1 / 2.4) - 0.055)
    s = one(0, 0.6)
    x = x + s * (x * x * (3 - 2 * x) - x)
    sharp_sigma = d.uniform(0.6, 1.4, 1)[:, 0]
    x = x + one(0, 1.1) * (x - _blur(x, sharp_sigma, sharp_sigma, 9))
    x = x.clamp(0, 1)
    return jpeg(x, d.uniform(62, 97, 1)[:, 0]) if compress else x
