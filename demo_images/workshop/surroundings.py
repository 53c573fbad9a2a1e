"""Light from photographed surroundings, made ready to be mirrored by steel of any roughness.

The pictures are those of the npm package ``@pmndrs/assets`` (CC0): ``npm pack @pmndrs/assets``, unpacked, then
``python -m workshop.surroundings package/hdri surroundings.npz``, which needs ``pip install OpenEXR``. They light
beads while the networks learn; nothing of them is shipped.
"""

from __future__ import annotations

import base64
import math
import re
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
import torch.nn.functional as F
from torch import Tensor

from .noise import Dice

#: How widely light is spread by what mirrors it, the squared angle in rad²; the last is a dull surface's.
SPREADS = (0.006, 0.03, 0.12, 0.6)
_ROWS, _COLUMNS = 32, 128  # of the upper half, from the horizon up; all round
_BRIGHTEST = 40.0  # times the mean: a sun is a lamp, and lamps are lit one by one


@dataclass(frozen=True, slots=True)
class Surroundings:
    """Panoramas: what mirrors show (N, 3, len(SPREADS), rows, columns) and the pictures (N, 3, H, W), 0..1."""

    light: Tensor
    picture: Tensor


def load(path: Path, device: str) -> Surroundings:
    """Surroundings that :func:`main` wrote."""
    with np.load(path) as kept:
        light, picture = (torch.from_numpy(kept[name]).to(device) for name in ("light", "picture"))
    return Surroundings(light.float(), picture.float() / 255)


def mirrored(light: Tensor, way: Tensor, spread: Tensor) -> Tensor:
    """Light (B, 3, H, W) from directions ``way`` (B, H, W, 3), z up, spread by ``spread`` (B, H, W) rad².

    ``light`` is (B, 3, len(SPREADS), rows, columns + 2), its first and last column those of the other side.
    """
    columns = light.shape[-1] - 2
    turn = torch.atan2(way[..., 1], way[..., 0]) / (2 * math.pi) + 0.5
    x = (turn * columns + 0.5) / (columns + 1) * 2 - 1
    y = torch.asin(way[..., 2].clamp(0, 0.9999)) / (math.pi / 2) * 2 - 1
    level = torch.log(spread.clamp(SPREADS[0], SPREADS[-1]) / SPREADS[0]) / math.log(SPREADS[-1] / SPREADS[0])
    grid = torch.stack([x, y, level * 2 - 1], -1)[:, None]
    return F.grid_sample(light, grid, mode="bilinear", padding_mode="border", align_corners=True)[:, :, 0]


def round_(light: Tensor, turn: Tensor) -> Tensor:
    """Panoramas (B, 3, L, rows, columns) turned by ``turn`` (B,) of a full turn, with a column of the other side at
    both ends."""
    columns = light.shape[-1]
    at = (torch.arange(-1, columns + 1, device=light.device)[None] + (turn * columns).long()[:, None]) % columns
    return torch.gather(light, -1, at[:, None, None, None].expand(*light.shape[:-1], -1))


def a_view(dice: Dice, surroundings: Surroundings, size: int) -> Tensor:
    """Pictures (B, 3, size, size) such as a phone takes of a workshop, a hall, a park: no bead in any."""
    d = dice
    at = (d.uniform(0, 1, 1)[:, 0] * len(surroundings.picture)).long()
    wide = d.uniform(0.2, 0.9, 1, 1)
    x = (torch.arange(size, device=d.device) / (size - 1) * 2 - 1)[None, None, :].expand(d.batch, size, size) * wide
    y = (torch.arange(size, device=d.device) / (size - 1) * 2 - 1)[None, :, None].expand(d.batch, size, size) * wide
    nod, turn = d.uniform(-0.5, 0.3, 1, 1), d.uniform(-math.pi, math.pi, 1, 1)
    up, ahead = -y * torch.cos(nod) + torch.sin(nod), torch.cos(nod) + y * torch.sin(nod)
    az = (torch.atan2(x, ahead) + turn + math.pi) % (2 * math.pi) - math.pi
    el = torch.atan2(up, torch.hypot(x, ahead))
    grid = torch.stack([az / math.pi, -el / (math.pi / 2)], -1)
    return F.grid_sample(surroundings.picture[at], grid, mode="bicubic", padding_mode="border", align_corners=False)


def _panorama(source: str) -> np.ndarray:
    """The half-float picture (H, W, 3) inside one of the package's .js files."""
    import OpenEXR

    found = re.search(r"base64,([A-Za-z0-9+/=]+)", source)
    if not found:
        raise ValueError("there is no picture in this file")
    with tempfile.NamedTemporaryFile(suffix=".exr") as file:
        file.write(base64.b64decode(found.group(1)))
        file.flush()
        channels = OpenEXR.File(file.name).channels()
    pixels = channels["RGB"].pixels if "RGB" in channels else channels["RGBA"].pixels[..., :3]
    return np.asarray(pixels, np.float32)


def _ways(rows: int, columns: int, low: float) -> np.ndarray:
    """Unit vectors (rows, columns, 3) over a panorama from elevation ``low`` rad up to the zenith, bottom row first."""
    el = low + (math.pi / 2 - low) * (np.arange(rows) + 0.5) / rows
    az = ((np.arange(columns) + 0.5) / columns - 0.5) * 2 * math.pi
    return np.stack(
        np.broadcast_arrays(np.cos(el)[:, None] * np.cos(az), np.cos(el)[:, None] * np.sin(az), np.sin(el)[:, None]),
        -1,
    )


def _prepared(panorama: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """What mirrors show of it (3, len(SPREADS), rows, columns), mean one, and the picture itself in bytes."""
    panorama = np.maximum(panorama, 0)  # colours beyond a screen's are kept as less than no light
    half = panorama[: panorama.shape[0] // 2][::-1]
    small = half.reshape(64, half.shape[0] // 64, 256, half.shape[1] // 256, 3).mean((1, 3))
    ways = _ways(64, 256, 0.0)
    weight = np.sqrt(1 - ways[..., 2] ** 2)
    mean = (small.mean(-1) * weight).sum() / weight.sum()
    bright = np.minimum(small / max(mean, 1e-6), _BRIGHTEST).reshape(-1, 3)
    flat, sun = ways.reshape(-1, 3), weight.reshape(-1)
    out = []
    for spread in SPREADS:
        lobe = np.exp((_ways(_ROWS, _COLUMNS, 0.0).reshape(-1, 3) @ flat.T - 1) / spread) * sun
        out.append((lobe @ bright / lobe.sum(1, keepdims=True)).reshape(_ROWS, _COLUMNS, 3))
    display = np.clip(panorama / (4 * np.median(panorama) + 1e-6), 0, 1) ** (1 / 2.2)
    return np.stack(out).transpose(3, 0, 1, 2), (display * 255).astype(np.uint8).transpose(2, 0, 1)


def main(folder: Path, out: Path) -> None:
    """Make the pictures of the unpacked package ready."""
    files = sorted(folder.glob("*.exr.js"))
    light, picture = zip(*(_prepared(_panorama(file.read_text("utf-8"))) for file in files), strict=True)
    np.savez_compressed(out, light=np.stack(light).astype(np.float16), picture=np.stack(picture))
    print(f"{len(files)} surroundings: {', '.join(file.name.split('.')[0] for file in files)}")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
