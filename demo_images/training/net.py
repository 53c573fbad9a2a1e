"""The small networks: a finder over the whole photo, readers over the straightened band and the plate beside it."""

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


class _Join(nn.Module):
    """What comes up from below, folded and doubled, added to what stands beside it.

    Folding before doubling spares a CPU three quarters of the work, adding spares it the laying side by side.
    """

    def __init__(self, below: int, beside: int, n_out: int) -> None:
        super().__init__()
        self.below = nn.Conv2d(below, n_out, 3, padding=1, bias=False)
        self.beside = nn.Conv2d(beside, n_out, 3, padding=1, bias=False)
        self.norm = nn.BatchNorm2d(n_out)

    def forward(self, below: Tensor, beside: Tensor) -> Tensor:
        if self.training:
            return F.relu(self.norm(_doubled(self.below(below)) + self.beside(beside)))
        # A sum cannot take the normalisation in when the network is written out, so the weights do.
        norm = self.norm
        gain = norm.weight / torch.sqrt(norm.running_var + norm.eps)
        weigh = gain[:, None, None, None]
        under = F.conv2d(below, self.below.weight * weigh, norm.bias - norm.running_mean * gain, padding=1)
        return F.relu(F.conv2d(beside, self.beside.weight * weigh, padding=1) + _doubled(under))


class _Along(nn.Module):
    """What stands surest along the view, and its mean, told to all of it within ``reach`` places: a bead that is plain
    here goes on where it fades. It adds nothing until it has learned to."""

    def __init__(self, n: int, signs: int, reach: int) -> None:
        super().__init__()
        self.window, self.padding = (1, 2 * reach + 1), (0, reach)
        self.ask = nn.Sequential(nn.Conv2d(n, signs, 1, bias=False), nn.BatchNorm2d(signs), nn.ReLU(inplace=True))
        self.tell = nn.Conv2d(2 * signs, n, 1, bias=False)
        nn.init.zeros_(self.tell.weight)

    def forward(self, x: Tensor) -> Tensor:
        signs = self.ask(x)
        surest = F.max_pool2d(signs, self.window, 1, self.padding)
        mean = F.avg_pool2d(signs, self.window, 1, self.padding, count_include_pad=False)
        return x + self.tell(torch.cat([surest, mean], 1))


def _doubled(x: Tensor) -> Tensor:
    return F.interpolate(x, scale_factor=2.0, mode="nearest")


class Reader(nn.Module):
    """A small U-net that works at half size; ``fine`` channels come back at full size, the rest at half size.

    Input (B, 3, H, W) in 0..1, sides multiples of 32. Outputs (B, fine, H, W) and (B, coarse, H/2, W/2) are logits
    while it learns, else probabilities. With ``signs`` what is seen along the view, up to ``reach`` of its smallest
    places away, is told to each of them.
    """

    def __init__(self, fine: int, coarse: int, widths: tuple[int, ...], signs: int = 0, reach: int = 12) -> None:
        super().__init__()
        self.fine, self.coarse = fine, coarse
        a, b, c, d, e = widths
        self.stem = nn.Sequential(nn.Conv2d(3, a, 6, stride=2, padding=2, bias=False), nn.BatchNorm2d(a), nn.ReLU(True))
        self.enc1 = _block(a, a)
        self.enc2 = nn.Sequential(_block(a, b), _block(b, b))
        self.enc3 = nn.Sequential(_block(b, c), _block(c, c))
        self.enc4 = nn.Sequential(_block(c, d), _block(d, d))
        self.enc5 = nn.Sequential(_block(d, e), _block(e, e, 2), _block(e, e, 4))
        self.along = _Along(e, signs, reach) if signs else None
        self.dec4 = _Join(e, d, d)
        self.dec3 = _Join(d, c, c)
        self.dec2 = _Join(c, b, b)
        self.out2 = _block(b, b)
        self.dec1 = _Join(b, a, a)
        self.out1 = _block(a, a)
        self.head = nn.Conv2d(a, 4 * fine + coarse, 1)

    def forward(self, image: Tensor) -> tuple[Tensor, Tensor]:
        x1 = self.enc1(self.stem(image))
        x2 = self.enc2(F.max_pool2d(x1, 2))
        x3 = self.enc3(F.max_pool2d(x2, 2))
        x4 = self.enc4(F.max_pool2d(x3, 2))
        x5 = self.enc5(F.max_pool2d(x4, 2))
        if self.along is not None:
            x5 = self.along(x5)
        y = self.out2(self.dec2(self.dec3(self.dec4(x5, x4), x3), x2))
        out = self.head(self.out1(self.dec1(y, x1)))
        out = out if self.training else torch.sigmoid(out)
        return F.pixel_shuffle(out[:, : 4 * self.fine], 2), out[:, 4 * self.fine :]
