"""The small network that tells the depth of undercut from how well pairs of photos agree on grooves."""

from __future__ import annotations

from collections.abc import Sequence

import torch
import torch.nn.functional as F
from torch import Tensor, nn

#: Outputs that each pair's say is weighed by; pairs beyond so many say no more of how sure they are.
_WAYS, _MOST = 4, 10.0


class DepthNet(nn.Module):
    """Each pair is read alike, at all depths and along the toe; what the pairs say is weighed, and read once more.

    ``signs`` (B, P, ``told``, D, N) are those of :func:`toeline.photogrammetry.groove_depths.pair_signs`, the agreement
    on the ``forms`` first; ``seen`` (B, N). The output (B, D, N) are logits over the depths.
    """

    def __init__(self, by_pair: int = 12, by_all: int = 24, forms: int = 16, told: int = 24) -> None:
        super().__init__()
        self.forms = forms
        self.first = nn.Conv2d(told, by_pair, 3, padding=1)
        self.pairs = nn.ModuleList(
            nn.Conv2d(by_pair, by_pair, 3, padding=(1, far), dilation=(1, far)) for far in (2, 4)
        )
        self.weigh = nn.Conv2d(by_pair, _WAYS, 1)
        self.join = nn.Conv2d(3 * by_pair + _WAYS + 3, by_all, 1)
        self.all = nn.ModuleList(nn.Conv2d(by_all, by_all, 3, padding=(1, far), dilation=(1, far)) for far in (1, 3, 6))
        self.last = nn.Conv2d(by_all, 1, 1)

    def forward(self, signs: Tensor, seen: Tensor) -> Tensor:
        count, _, _, depths, n = signs.shape
        h = F.relu(self.first(signs.flatten(0, 1)))
        for layer in self.pairs:
            h = h + F.relu(layer(h))
        weights = torch.softmax(self.weigh(h).unflatten(0, (count, -1)), 1)
        h = h.unflatten(0, (count, -1))
        weighed = [(part * weights[:, :, k : k + 1]).sum(1) for k, part in enumerate(h.chunk(_WAYS, 2))]
        # halved: as Fisher's z again, which signs are twice
        agreed = (signs[:, :, : self.forms].amax(2, keepdim=True) * weights).sum(1) / 2
        place = (count, 1, depths, n)
        pairs = torch.ones_like(signs[:, :, 0, 0, 0]).sum(1)  # as a sum, so that the file written holds for any number
        known = [
            seen[:, None, None].expand(place),
            torch.linspace(0, 1, depths, device=signs.device)[None, None, :, None].expand(place),
            (pairs / _MOST).clamp(max=1.0)[:, None, None, None].expand(place),
        ]
        y = F.relu(self.join(torch.cat([h.mean(1), h.amax(1), *weighed, agreed, *known], 1)))
        for layer in self.all:
            y = y + F.relu(layer(y))
        return self.last(y)[:, 0]


class Together(nn.Module):
    """What several networks say together: odds (D, N) from signs (P, told, D, N) and ``seen`` (N,), in the mean of
    their logarithms: a depth that one of them excludes is unlikely."""

    def __init__(self, nets: Sequence[DepthNet]) -> None:
        super().__init__()
        self.nets = nn.ModuleList(nets)

    def forward(self, signs: Tensor, seen: Tensor) -> Tensor:
        return torch.softmax(torch.stack([net(signs[None], seen[None])[0] for net in self.nets]).mean(0), 0)
