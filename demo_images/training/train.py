"""Train the bead finder or the bead reader on rendered beads of our own making, and write the network as ONNX.

    python train.py finder|reader --minutes 9 --out DIR [--resume DIR/finder.pt]

Needs the ``train`` extra; made for one GPU, runs on a CPU too, slowly.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from pathlib import Path

import torch
import torch.nn.functional as F
from torch import Tensor

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
from workshop.scene import BAND_MAPS, KINDS, band_batch, scene_batch

from training.net import Reader

FACE, FORWARD, CREST = BAND_MAPS.index("face"), BAND_MAPS.index("forward"), BAND_MAPS.index("crest")
#: Rare things weigh a little more, or the network would never dare to see them.
RARE = {
    "undercut": 1.2,
    "undercut_deep": 1.5,
    "spatter": 1.5,
    "pore": 2.0,
    "crater_hollow": 1.2,
    "crater_crack": 3.0,
    "restart": 2.0,
    "overlap": 1.5,
    "slag": 1.5,
    "arc_strike": 1.5,
}


def dice_loss(logits: Tensor, truth: Tensor) -> Tensor:
    """One minus the soft overlap per channel, over the batch."""
    p = torch.sigmoid(logits)
    both = (p * truth).sum(dim=(0, 2, 3))
    return (1 - (2 * both + 20) / (p.sum(dim=(0, 2, 3)) + truth.sum(dim=(0, 2, 3)) + 20)).mean()


def reader_loss(fine: Tensor, coarse: Tensor, truth: Tensor) -> Tensor:
    """Cross-entropy with weight near the toes; direction and crests only where there is weld metal."""
    face = truth[:, FACE : FACE + 1]
    edge = F.max_pool2d(face, 9, 1, 4) - (1 - F.max_pool2d(1 - face, 9, 1, 4))
    loss_face = F.binary_cross_entropy_with_logits(fine, face, weight=1 + 5 * edge)
    small = F.avg_pool2d(truth, 2)
    on = small[:, FACE : FACE + 1]
    total = loss_face * 3
    names = [n for n in BAND_MAPS if n != "face"]
    rare = [i for i, n in enumerate(names) if n in RARE]
    index = [BAND_MAPS.index(n) for n in names]
    target = small[:, index]
    weight = torch.ones_like(target)
    pos = torch.ones(len(names), device=truth.device)
    for i, n in enumerate(names):
        pos[i] = RARE.get(n, 1.0)
        if n == "forward":
            weight[:, i : i + 1] = on * 12
        if n == "crest":
            weight[:, i : i + 1] = 0.3 + 3 * on
    bce = F.binary_cross_entropy_with_logits(coarse, target, weight=weight, pos_weight=pos[None, :, None, None])
    return total + 6 * bce + 0.25 * dice_loss(coarse[:, rare], target[:, rare]) + 0.5 * dice_loss(fine, face)


def finder_loss(fine: Tensor, truth: Tensor) -> Tensor:
    """Cross-entropy and overlap over the kinds of things."""
    weight = torch.tensor([4.0, 4.0, 3.0, 2.0, 2.0, 1.0], device=truth.device)[None, :, None, None]
    bce = F.binary_cross_entropy_with_logits(fine, truth, pos_weight=weight)
    return 4 * bce + dice_loss(fine, truth)


def build(which: str) -> Reader:
    """The network for a task, its outputs in the order of the truth."""
    return Reader(1, len(BAND_MAPS) - 1) if which == "reader" else Reader(len(KINDS), 1, (16, 24, 36, 56, 80))


def export(net: Reader, which: str, path: Path, size: tuple[int, int]) -> None:
    """Write ONNX with free height and width."""
    net = net.float().cpu().eval()
    torch.onnx.export(
        net,
        (torch.rand(1, 3, *size),),
        str(path),
        input_names=["image"],
        output_names=["fine", "coarse"],
        dynamic_axes={"image": {2: "h", 3: "w"}, "fine": {2: "h", 3: "w"}, "coarse": {2: "h2", 3: "w2"}},
        opset_version=17,
        dynamo=False,
    )


def main() -> None:
    """Train for a number of minutes, keeping an average of the weights, and export that."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("which", choices=("finder", "reader"))
    ask.add_argument("--minutes", type=float, default=9.0)
    ask.add_argument("--batch", type=int, default=16)
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--rate", type=float, default=3e-3)
    ask.add_argument("--out", type=Path, required=True)
    ask.add_argument("--resume", type=Path)
    said = ask.parse_args()
    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.backends.cudnn.benchmark = True
    net = build(said.which).to(device)
    if said.resume:
        net.load_state_dict(torch.load(said.resume, map_location=device))
    mean = build(said.which).to(device)
    mean.load_state_dict(net.state_dict())
    chase = torch.optim.AdamW(net.parameters(), lr=said.rate, weight_decay=1e-3)
    began, step, seed, shown = time.time(), 0, said.seed * 1_000_003, 0.0
    limit = said.minutes * 60
    running = 0.0
    while (spent := time.time() - began) < limit:
        x = spent / limit
        rate = said.rate * min(1.0, step / 100 + 0.05) * (0.5 + 0.5 * math.cos(math.pi * x)) + 1e-6
        for group in chase.param_groups:
            group["lr"] = rate
        seed += 1
        with torch.no_grad():
            if said.which == "reader":
                photo, truth = band_batch(seed, said.batch, device, fillet=seed % 5 == 0)
            else:
                photo, truth = scene_batch(seed, said.batch, device, fillet=seed % 5 == 0)
            photo = photo.nan_to_num(0.5)
        with torch.autocast(device, dtype=torch.bfloat16, enabled=device == "cuda"):
            fine, coarse = net(photo)
        loss = (
            reader_loss(fine.float(), coarse.float(), truth)
            if said.which == "reader"
            else finder_loss(fine.float(), truth) + 0 * coarse.float().mean()
        )
        chase.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        chase.step()
        step += 1
        keep = min(0.998, step / (step + 20))
        with torch.no_grad():
            for m, n in zip(mean.state_dict().values(), net.state_dict().values(), strict=True):
                if m.dtype.is_floating_point:
                    m.mul_(keep).add_(n, alpha=1 - keep)
                else:
                    m.copy_(n)
        running = running * 0.98 + float(loss.detach()) * 0.02 if step > 1 else float(loss.detach())
        if spent - shown > 15 or step in (1, 10, 30):
            shown = spent
    said.out.mkdir(parents=True, exist_ok=True)
    torch.save(mean.state_dict(), said.out / f"{said.which}.pt")
    export(mean, said.which, said.out / f"{said.which}.onnx", (512, 512))


if __name__ == "__main__":
    main()
