"""The two small networks: a finder over the whole photo and a reader over the straightened band."""

from __future__ import annotations

import torch
import torch.nn.functional as F
from torch import Tensor, nn


def _block(n_in: int, n_out: int, dilation: int = 1) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(n_in, n_out, 3, padding=dilation, dilation=dilation, bias=False),
        nn.BatchNorm2d(n_out),
        nn.ReLU(inplace=True),
    )


def _up(x: Tensor) -> Tensor:
    return F.interpolate(x, scale_factor=2.0, mode="nearest")


class Reader(nn.Module):
    """A small U-net on pixels folded 2 × 2; ``fine`` channels come back at full size, the rest at half size.

    Input (B, 3, H, W) in 0..1, sides multiples of 32. Outputs are logits (B, fine, H, W) and (B, coarse, H/2, W/2).
    """

    def __init__(self, fine: int, coarse: int, widths: tuple[int, ...] = (20, 28, 40, 56, 72)) -> None:
        super().__init__()
        self.fine, self.coarse = fine, coarse
        a, b, c, d, e = widths
        self.stem = _block(12, a)
        self.enc1 = _block(a, a)
        self.enc2 = nn.Sequential(_block(a, b), _block(b, b))
        self.enc3 = nn.Sequential(_block(b, c), _block(c, c))
        self.enc4 = nn.Sequential(_block(c, d), _block(d, d))
        self.enc5 = nn.Sequential(_block(d, e), _block(e, e, 2), _block(e, e, 4))
        self.dec4 = _block(e + d, d)
        self.dec3 = _block(d + c, c)
        self.dec2 = nn.Sequential(_block(c + b, b), _block(b, b))
        self.dec1 = nn.Sequential(_block(b + a, a), _block(a, a))
        self.head = nn.Conv2d(a, 4 * fine + coarse, 3, padding=1)

    def forward(self, image: Tensor) -> tuple[Tensor, Tensor]:
        x1 = self.enc1(self.stem(F.pixel_unshuffle(image - 0.5, 2)))
        x2 = self.enc2(F.max_pool2d(x1, 2))
        x3 = self.enc3(F.max_pool2d(x2, 2))
        x4 = self.enc4(F.max_pool2d(x3, 2))
        x5 = self.enc5(F.max_pool2d(x4, 2))
        y = self.dec4(torch.cat([_up(x5), x4], 1))
        y = self.dec3(torch.cat([_up(y), x3], 1))
        y = self.dec2(torch.cat([_up(y), x2], 1))
        out = self.head(self.dec1(torch.cat([_up(y), x1], 1)))
        return F.pixel_shuffle(out[:, : 4 * self.fine], 2), out[:, 4 * self.fine :]
