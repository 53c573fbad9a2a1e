"""Train the network of undercut's depth on what pairs of photos of rendered beads say of grooves.

    python depths.py FOLDER --out DIR [--device cuda]

``FOLDER`` holds a file per toe, as ``tests/benchmarks/bench_relief.py agree`` writes them. Eight networks are
learned, and written together as ``DIR/groove_depths.onnx``. Needs the ``train`` extra.

Of the photos of a scene four or five are picked each time, and what they say is disturbed. With depths picked alike
often, or forms and agreement disturbed more, networks came right as often on our own scenes and were sure of wrong
depths on another renderer's. Every twentieth scene is left out, to hold what was learned against.
"""

from __future__ import annotations

import argparse
import math
import random
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import numpy as np
import torch
import torch.nn.functional as F
from numpy.typing import NDArray
from torch import Tensor

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
from toeline.photogrammetry.figures import ReliefFigures
from toeline.photogrammetry.groove_depths import as_seen, pair_signs
from training.depth_net import DepthNet, Together

#: Stations of a toe that are learned from at once.
_STATIONS = 80
_RATE, _DECAY, _RISE, _KEPT = 2e-3, 2e-2, 0.05, 0.005
#: A network of each kind for each seed.
_SEEDS = (1, 2, 3, 4)
#: So many photos of a scene are picked, each as often as it stands here.
_PHOTOS = (4, 5, 5)
#: A depth from which a place counts as undercut, mm; noise of a pair's agreement, as a whole and at each place.
_UNDERCUT, _NOISE = 0.2, (0.03, 0.02)
_HELD_OUT = 20


@dataclass(frozen=True, slots=True)
class Kind:
    """How large a network is (see :class:`DepthNet`), how many pieces make a batch, and how many of these it learns."""

    by_pair: int
    by_all: int
    batch: int
    steps: int


_KINDS = (Kind(16, 32, batch=16, steps=3000), Kind(12, 24, batch=32, steps=4000))


@dataclass(frozen=True, slots=True)
class Toe:
    """What pairs of photos say along one toe: ``z`` (pairs, depths, forms, n), ``leans`` (photos, 2), whether undercut
    is ``seen`` (n,), and the true ``depth`` (n,) mm."""

    z: NDArray[np.float16]
    leans: NDArray[np.float64]
    seen: NDArray[np.float32]
    depth: NDArray[np.float64]

    @classmethod
    def read(cls, file: Path) -> Toe:
        with np.load(file) as kept:
            return cls(kept["z"], kept["leans"], as_seen(kept["likely"]), kept["depth"])

    def piece(self, start: int, photos: Sequence[int]) -> tuple[NDArray[np.float32], Toe]:
        """Agreement and all else of some stations, by some photos alone."""
        on = slice(start, start + _STATIONS)
        pairs = [k for k, pair in enumerate(combinations(range(len(self.leans)), 2)) if set(pair) <= set(photos)]
        z = self.z[pairs][..., on]
        return z.astype(np.float32), Toe(z, self.leans[list(photos)], self.seen[on], self.depth[on])


def levels(depth: Tensor, step: float, count: int) -> Tensor:
    """The true odds (B, D, N) of depths (B, N) mm: each lies between two levels."""
    at = (depth / step).clamp(0, count - 1)
    low = at.floor().clamp(max=count - 2).long()
    odds = torch.zeros(*depth.shape, count, device=depth.device)
    odds.scatter_(-1, low[..., None], (1 - (at - low))[..., None])
    odds.scatter_(-1, low[..., None] + 1, (at - low)[..., None])
    return odds.transpose(-1, -2)


class Pieces:
    """Random pieces of toes: half of them of toes with undercut, half of those where it is."""

    def __init__(self, toes: Sequence[Toe], seed: int) -> None:
        self.rng, self.noise = random.Random(seed), np.random.default_rng(seed)
        self.toes = [toe for toe in toes if len(toe.depth) >= _STATIONS]
        self.undercut = [toe for toe in self.toes if toe.depth.max() > _UNDERCUT] or self.toes
        most = max(len(toe.leans) for toe in self.toes)
        self.counts = [min(count, most) for count in _PHOTOS]

    def _one(self, photos: int) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float64]]:
        rng = self.rng
        while True:
            toe = rng.choice(self.toes if rng.random() < 0.5 else self.undercut)
            if len(toe.leans) >= photos:
                break
        last = len(toe.depth) - _STATIONS
        start = rng.randint(0, last)
        deep = np.flatnonzero(toe.depth > _UNDERCUT)
        if len(deep) and rng.random() < 0.5:
            start = int(np.clip(rng.choice(deep) - rng.randrange(_STATIONS), 0, last))
        z, piece = toe.piece(start, sorted(rng.sample(range(len(toe.leans)), photos)))
        seen, depth = piece.seen, piece.depth
        if rng.random() < 0.5:
            z, seen, depth = z[..., ::-1], seen[::-1], depth[::-1]
        whole, each = _NOISE
        noisy = z + self.noise.normal(0, whole, (len(z), 1, 1, 1)) + self.noise.normal(0, each, z.shape)
        signs = pair_signs(noisy.astype(np.float32), piece.leans)
        return signs, seen * np.float32(rng.random() if rng.random() < 0.25 else 1.0), depth

    def batch(self, pieces: int) -> tuple[Tensor, Tensor, Tensor]:
        """Signs (B, P, told, D, N), whether undercut is seen and how deep it is (B, N)."""
        photos = self.rng.choice(self.counts)
        signs, seen, depth = zip(*(self._one(photos) for _ in range(pieces)), strict=True)
        return tuple(torch.from_numpy(np.stack(of).astype(np.float32)) for of in (signs, seen, depth))


def loss(net: DepthNet, signs: Tensor, seen: Tensor, depth: Tensor) -> Tensor:
    """Cross-entropy (B, N) of the odds against the true depth."""
    step = ReliefFigures.read().groove.depth_step
    return -(levels(depth, step, signs.shape[3]) * F.log_softmax(net(signs, seen), 1)).sum(1)


def learn(toes: Sequence[Toe], held: Sequence[Toe], seed: int, kind: Kind, device: str) -> DepthNet:
    """A network whose weights are the running mean of those learned."""
    torch.manual_seed(seed)
    pieces, steps = Pieces(toes, seed), kind.steps
    net, mean = (DepthNet(kind.by_pair, kind.by_all).to(device) for _ in range(2))
    mean.load_state_dict(net.state_dict())
    how = torch.optim.AdamW(net.parameters(), _RATE, weight_decay=_DECAY)
    for step in range(1, steps + 1):
        done = step / steps
        for group in how.param_groups:
            group["lr"] = _RATE * min(1.0, done / _RISE) * (0.5 * (1 + math.cos(math.pi * done)) + 0.01)
        now = loss(net, *(of.to(device) for of in pieces.batch(kind.batch))).mean()
        how.zero_grad()
        now.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        how.step()
        with torch.no_grad():
            for kept, weight in zip(mean.parameters(), net.parameters(), strict=True):
                kept.lerp_(weight, max(_KEPT, 1.0 / step))
        if step % 250 == 0 or step == steps:
            print(f"step {step} of {steps}, loss {now:.3f}, held out {held_out(mean, held, device)}", flush=True)
    return mean.eval().cpu()


@torch.no_grad()
def held_out(net: DepthNet, toes: Sequence[Toe], device: str) -> str:
    """The mean loss along whole toes, and where undercut is 0.2 mm deep or more."""
    net.eval()
    each, deep = [], []
    for toe in toes:
        said = pair_signs(toe.z.astype(np.float32), toe.leans), toe.seen, toe.depth
        signs, seen, depth = (torch.from_numpy(of.astype(np.float32))[None].to(device) for of in said)
        of = loss(net, signs, seen, depth)
        each.append(of.flatten())
        deep.append(of[depth >= 0.2])
    return f"{torch.cat(each).mean():.3f}, of deep places {torch.cat(deep).mean():.3f}" if each else "none"


def write(nets: Sequence[DepthNet], path: Path) -> None:
    """Write the networks as one, as ONNX, for any number of pairs and stations."""
    toe = torch.rand(6, nets[0].first.in_channels, 21, 40), torch.rand(40)
    torch.onnx.export(
        Together(nets).eval(),
        toe,
        str(path),
        input_names=["pairs", "seen"],
        output_names=["odds"],
        dynamic_axes={"pairs": {0: "pairs", 3: "stations"}, "seen": {0: "stations"}, "odds": {1: "stations"}},
        opset_version=17,
        dynamo=False,
    )


def main() -> None:
    """Learn, and write what was learned."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("folder", type=Path)
    ask.add_argument("--out", type=Path, required=True)
    ask.add_argument("--device", choices=["cpu", "cuda"], default="cpu")
    said = ask.parse_args()
    said.out.mkdir(parents=True, exist_ok=True)
    scenes = sorted({file.name.rsplit("_", 1)[0] for file in said.folder.glob("*.npz")})
    held = set(scenes[::_HELD_OUT])
    toes: dict[bool, list[Toe]] = {True: [], False: []}
    for file in sorted(said.folder.glob("*.npz")):
        toes[file.name.rsplit("_", 1)[0] in held].append(Toe.read(file))
    nets = [learn(toes[False], toes[True], seed, kind, said.device) for kind in _KINDS for seed in _SEEDS]
    write(nets, said.out / "groove_depths.onnx")


if __name__ == "__main__":
    main()
