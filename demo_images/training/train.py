"""Train the finder, the reader or the plate reader on rendered beads of our own making.

    python train.py reader --minutes 9 --ranks 2 --out DIR [--resume DIR/reader.pt]
    python train.py reader --minutes 9 --out DIR --resume reader.onnx        go on from a network that was written out
    python train.py reader --minutes 0 --out DIR --resume DIR/reader.pt      write the network as ONNX only

Needs the ``train`` extra. Every rank renders beads into a pool of its own and learns from random picks of it, so that
a view is seen a few times, each time in another light and another way round; gradients are averaged over the ranks.
"""

from __future__ import annotations

import argparse
import math
import os
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import torch
import torch.distributed as dist
import torch.multiprocessing as mp
import torch.nn.functional as F
from torch import Tensor

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
from workshop.scene import BAND_MAPS, KINDS, band_batch, scene_batch

from training.eight_bit import write_in_eight_bits
from training.net import Reader
from training.thaw import thaw

NAMES = [n for n in BAND_MAPS if n != "face"]
RARE = [NAMES.index(n) for n in NAMES if n not in ("crest", "forward", "crater")]
FACE, FORWARD = BAND_MAPS.index("face"), BAND_MAPS.index("forward")
PLATE = [BAND_MAPS.index(n) for n in ("spatter", "arc_strike")]


def dice_loss(logits: Tensor, truth: Tensor) -> Tensor:
    """One minus the soft overlap per channel, over the batch."""
    p = torch.sigmoid(logits)
    both = (p * truth).sum(dim=(0, 2, 3))
    return (1 - (2 * both + 20) / (p.sum(dim=(0, 2, 3)) + truth.sum(dim=(0, 2, 3)) + 20)).mean()


def _grown(mask: Tensor, px: int) -> Tensor:
    return F.max_pool2d(mask, 2 * px + 1, 1, px)


def reader_loss(fine: Tensor, coarse: Tensor, truth: Tensor) -> Tensor:
    """Cross-entropy that counts most where each thing could be: weights by place leave the odds true.

    ``fine`` (B,1,H,W) and ``coarse`` (B,len(NAMES),H/2,W/2) are logits, ``truth`` is (B,len(BAND_MAPS),H,W).
    """
    face = truth[:, FACE : FACE + 1]
    edge = _grown(face, 4) - (1 - _grown(1 - face, 4))
    loss_face = F.binary_cross_entropy_with_logits(fine, face, weight=1 + 5 * edge)
    small = F.avg_pool2d(truth, 2)
    target = small[:, [BAND_MAPS.index(n) for n in NAMES]]
    on = small[:, FACE : FACE + 1]
    by_toe = _grown(on, 13) - (1 - _grown(1 - on, 8))
    by_crater = _grown(small[:, BAND_MAPS.index("crater")][:, None], 8)
    where = {
        "undercut": 1 + 11 * by_toe,
        "undercut_deep": 1 + 11 * by_toe,
        "overlap": 1 + 11 * by_toe,
        "spatter": 3 + 0 * on,
        "arc_strike": 3 + 0 * on,
        "pore": 1 + 5 * on,
        "slag": 1 + 5 * torch.maximum(on, by_toe),
        "crater": 1 + 3 * on,
        "crater_hollow": 1 + 15 * by_crater,
        "crater_crack": 1 + 15 * by_crater,
        "restart": 1 + 5 * on,
        "crest": 0.3 + 3 * on,
        "forward": 6 * on,
    }
    weight = torch.cat([where[n] for n in NAMES], 1)
    bce = F.binary_cross_entropy_with_logits(coarse, target, weight=weight)
    return 3 * loss_face + 6 * bce + 0.25 * dice_loss(coarse[:, RARE], target[:, RARE]) + 0.5 * dice_loss(fine, face)


def finder_loss(fine: Tensor, coarse: Tensor, truth: Tensor) -> Tensor:
    """Cross-entropy and overlap over the kinds of things; the finder has nothing coarse to say."""
    weight = torch.tensor([4.0, 4.0, 3.0, 2.0, 2.0, 1.0], device=truth.device)[None, :, None, None]
    bce = F.binary_cross_entropy_with_logits(fine, truth, pos_weight=weight)
    return 4 * bce + dice_loss(fine, truth) + 0 * coarse.mean()


def plate_loss(fine: Tensor, coarse: Tensor, truth: Tensor) -> Tensor:
    """Balls of spatter at the picture's own size, arc strikes at half of it; ``truth`` is (B,2,H,W)."""
    spatter, strike = truth[:, :1], F.avg_pool2d(truth[:, 1:], 2)
    bce = F.binary_cross_entropy_with_logits(fine, spatter) + F.binary_cross_entropy_with_logits(coarse, strike)
    return 6 * bce + 0.25 * dice_loss(fine, spatter) + 0.25 * dice_loss(coarse, strike)


Batch = tuple[Tensor, Tensor]


def _band(seed: int, batch: int, device: str) -> Batch:
    return band_batch(seed, batch, device, fillet=seed % 5 == 0)


def _scene(seed: int, batch: int, device: str) -> Batch:
    return scene_batch(seed, batch, device, fillet=seed % 5 == 0)


def _plate(seed: int, batch: int, device: str) -> Batch:
    """What lies beside the bead, at half the band's scale, smoothed or merely sampled."""
    photo, truth = band_batch(seed, batch, device, (512, 512), astray_mm=35.0, fillet=seed % 5 == 0)
    photo = F.avg_pool2d(photo, 2) if seed % 2 else photo[:, :, ::2, ::2]
    return photo, F.avg_pool2d(truth[:, PLATE], 2)


@dataclass(frozen=True, slots=True)
class Task:
    """One network: what it sees, what it is told, and how big it is."""

    render: Callable[[int, int, str], Batch]
    loss: Callable[[Tensor, Tensor, Tensor], Tensor]
    fine: int
    coarse: int
    widths: tuple[int, ...]
    #: The channel that says which way travel runs, turned when the picture is.
    forward: int | None = None

    def net(self) -> Reader:
        """The network, its outputs in the order of the truth."""
        return Reader(self.fine, self.coarse, self.widths)


TASKS = {
    "finder": Task(_scene, finder_loss, len(KINDS), 1, (16, 24, 40, 56, 80)),
    "reader": Task(_band, reader_loss, 1, len(NAMES), (16, 32, 48, 96, 144), FORWARD),
    "plate": Task(_plate, plate_loss, 1, 1, (16, 24, 32, 40, 56)),
}


class Pool:
    """Rendered views kept as bytes on the device, the oldest replaced first."""

    def __init__(self, size: int) -> None:
        self.size, self.count, self.next = size, 0, 0
        self.photo = self.truth = torch.empty(0)

    def add(self, photo: Tensor, truth: Tensor) -> None:
        """Take in views (B,3,H,W) and their truth (B,C,H,W), both 0..1."""
        photo, truth = ((x.clamp(0, 1) * 255).round().to(torch.uint8) for x in (photo, truth))
        if not self.count:
            self.photo, self.truth = (
                torch.empty((self.size, *x.shape[1:]), dtype=torch.uint8, device=x.device) for x in (photo, truth)
            )
        at = (self.next + torch.arange(len(photo), device=photo.device)) % self.size
        self.photo[at], self.truth[at] = photo, truth
        self.next = (self.next + len(photo)) % self.size
        self.count = min(self.count + len(photo), self.size)

    def pick(self, batch: int, forward: int | None) -> Batch:
        """Random views in another light, half of them mirrored along, half across."""
        device = self.photo.device
        at = torch.randint(self.count, (batch,), device=device)
        photo, truth = self.photo[at].float() / 255, self.truth[at].float() / 255
        for axis in (-1, -2):
            flip = torch.rand((batch, 1, 1, 1), device=device) < 0.5
            photo, truth = (torch.where(flip, x.flip(axis), x) for x in (photo, truth))
            if axis == -1 and forward is not None:
                ahead = truth[:, forward : forward + 1]
                truth[:, forward : forward + 1] = torch.where(flip, 1 - ahead, ahead)
        gain = torch.exp(0.25 * torch.randn((batch, 1, 1, 1), device=device))
        hue = torch.exp(0.04 * torch.randn((batch, 3, 1, 1), device=device))
        gamma = torch.exp(0.2 * torch.randn((batch, 1, 1, 1), device=device))
        return (photo.clamp_min(1e-4) ** gamma * gain * hue).clamp(0, 1), truth


def _shared(net: torch.nn.Module, done: bool) -> bool:
    """Average the gradients over all ranks; True once any rank is done."""
    grads = [p.grad for p in net.parameters() if p.grad is not None]
    flat = torch.cat([*(g.flatten() for g in grads), torch.tensor([float(done)], device=grads[0].device)]).cpu()
    dist.all_reduce(flat)
    flat = (flat / dist.get_world_size()).to(grads[0].device)
    at = 0
    for g in grads:
        g.copy_(flat[at : at + g.numel()].view_as(g))
        at += g.numel()
    return bool(flat[-1] > 0)


def learn(rank: int, ranks: int, said: argparse.Namespace) -> None:
    """One rank's work: render, learn, average; rank 0 keeps the running mean of the weights and saves it."""
    os.environ.setdefault("MASTER_ADDR", "127.0.0.1")
    os.environ.setdefault("MASTER_PORT", str(said.port))
    dist.init_process_group("gloo", rank=rank, world_size=ranks)
    device = f"cuda:{said.gpus[rank % len(said.gpus)]}" if torch.cuda.is_available() else "cpu"
    if device != "cpu":
        torch.cuda.set_device(device)
    torch.backends.cudnn.benchmark = True
    torch.set_num_threads(2)
    task = TASKS[said.which]
    torch.manual_seed(said.seed)
    net, mean = (task.net().to(device, memory_format=torch.channels_last) for _ in range(2))
    if said.resume:
        _take_up(net, said.resume, task, device)
    for p in net.state_dict().values():
        shared = p.cpu()
        dist.broadcast(shared, 0)
        p.copy_(shared)
    mean.load_state_dict(net.state_dict())
    torch.manual_seed(said.seed * 1009 + rank)
    chase = torch.optim.AdamW(net.parameters(), lr=said.rate, weight_decay=1e-3)
    pairs = list(zip(mean.state_dict().values(), net.state_dict().values(), strict=True))
    floats = [[pair[k] for pair in pairs if pair[0].dtype.is_floating_point] for k in (0, 1)]
    counts = [pair for pair in pairs if not pair[0].dtype.is_floating_point]
    pool = Pool(said.pool)
    began, step, rounds, shown, running = time.time(), 0, 0, 0.0, 0.0
    limit, done = said.minutes * 60, False
    while not done:
        with torch.no_grad():
            photo, truth = task.render((said.seed * 64 + rank) * 1_000_003 + rounds, said.fresh, device)
            pool.add(photo.nan_to_num(0.5), truth)
        rounds += 1
        if pool.count < min(4 * said.batch, said.pool):
            continue
        for _ in range(said.turns):
            spent = time.time() - began
            x = min(spent / limit, 1.0)
            rate = said.rate * min(1.0, step / 200 + 0.05) * (0.5 + 0.5 * math.cos(math.pi * x)) + 1e-6
            for group in chase.param_groups:
                group["lr"] = rate
            photo, truth = pool.pick(said.batch, task.forward)
            with torch.autocast(torch.device(device).type, dtype=torch.bfloat16, enabled=device != "cpu"):
                fine, coarse = net(photo.contiguous(memory_format=torch.channels_last))
            loss = task.loss(fine.float(), coarse.float(), truth)
            chase.zero_grad()
            loss.backward()
            done = _shared(net, spent > limit)
            torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
            chase.step()
            step += 1
            keep = min(0.999, step / (step + 20))
            with torch.no_grad():
                torch._foreach_lerp_(floats[0], floats[1], 1 - keep)
                for m, n in counts:
                    m.copy_(n)
            running = running * 0.98 + float(loss.detach()) * 0.02 if step > 1 else float(loss.detach())
            if done:
                break
        if rank == 0 and (done or spent - shown > 15):
            shown = spent
            print(f"{spent:6.0f} s  step {step}  views {rounds * said.fresh * ranks}  loss {running:.4f}", flush=True)
            torch.save(mean.state_dict(), said.out / f"{said.which}.pt")
    dist.destroy_process_group()


def export(which: str, weights: Path, path: Path) -> None:
    """Write a trained network as ONNX with free height and width, in eight bits whose scales fresh views set."""
    task = TASKS[which]
    net = task.net()
    _take_up(net, weights, task, "cpu")
    net.eval()
    whole = path.with_suffix(".whole.onnx")
    torch.onnx.export(
        net,
        (torch.rand(1, 3, 512, 512),),
        str(whole),
        input_names=["image"],
        output_names=["fine", "coarse"],
        dynamic_axes={"image": {2: "h", 3: "w"}, "fine": {2: "h", 3: "w"}, "coarse": {2: "h2", 3: "w2"}},
        opset_version=17,
        dynamo=False,
    )
    write_in_eight_bits(whole, [view[None].numpy() for k in (1, 2) for view in _views(task, k)], path)
    whole.unlink()


def _take_up(net: Reader, weights: Path, task: Task, device: str) -> None:
    """Give ``net``, which lies on ``device``, the weights of a .pt or a .onnx file."""
    if weights.suffix == ".onnx":
        thaw(net, weights, _views(task, 1).to(device))
    else:
        net.load_state_dict(torch.load(weights, map_location=device))


def _views(task: Task, seed: int) -> Tensor:
    """A few pictures such as the network learns from (8, 3, H, W), on the CPU."""
    with torch.no_grad():
        return task.render(seed, 8, "cpu")[0].nan_to_num(0.5).clamp(0, 1)


def main() -> None:
    """Train for a number of minutes, then write the mean of the weights as ONNX."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("which", choices=tuple(TASKS))
    ask.add_argument("--minutes", type=float, default=9.0)
    ask.add_argument("--batch", type=int, default=24, help="views of one step, per rank")
    ask.add_argument("--fresh", type=int, default=16, help="views rendered between steps, per rank")
    ask.add_argument("--turns", type=int, default=6, help="steps between renders")
    ask.add_argument("--pool", type=int, default=3000, help="views kept, per rank")
    ask.add_argument("--ranks", type=int, default=1)
    ask.add_argument("--gpus", type=lambda text: [int(x) for x in text.split(",")], default=[0])
    ask.add_argument("--port", type=int, default=29511)
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--rate", type=float, default=3e-3)
    ask.add_argument("--out", type=Path, required=True)
    ask.add_argument("--resume", type=Path, help="weights to go on from, a .pt or a .onnx file")
    said = ask.parse_args()
    said.out.mkdir(parents=True, exist_ok=True)
    weights = said.resume
    if said.minutes > 0:
        mp.spawn(learn, (said.ranks, said), nprocs=said.ranks)
        weights = said.out / f"{said.which}.pt"
    export(said.which, weights, said.out / f"{said.which}.onnx")


if __name__ == "__main__":
    main()
