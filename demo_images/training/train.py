"""Train the finder, a reader of the band or the plate reader on rendered beads of our own making, as ``recipe.toml``
says.

    python train.py reader --out DIR --surroundings surroundings.npz     every stretch of the recipe in order
    python train.py reader --out DIR --stretch 2 --within 500            one of them, cut short to fit into 500 s
    python train.py reader --out DIR --write                             write DIR/reader.onnx from the last checkpoint
    python train.py reader --out DIR --recipe shipped.toml               the stretches that made what the package ships

Needs the ``train`` extra. A stretch goes on from the checkpoint before it, ``DIR/reader-1.pt`` and so on, and is left
out where its own is there already. Beads are rendered into a pool and learned from random picks of it, so that a view
is seen a few times, each time in another light and another way round. What is kept is the running mean of the weights.
The same seed and steps give the same views in the same order on the same device and release of torch.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import torch
import torch.nn.functional as F
from torch import Tensor

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
from workshop.scene import BAND_MAPS, KINDS, band_batch, scene_batch
from workshop.surroundings import Surroundings, load

from training.eight_bit import write_in_eight_bits
from training.net import Reader
from training.thaw import take_mean, thaw

HERE = Path(__file__).resolve().parent
Batch = tuple[Tensor, Tensor]
Around = Surroundings | None
NAMES = [n for n in BAND_MAPS if n != "face"]
RARE = [NAMES.index(n) for n in NAMES if n not in ("crest", "forward", "crater")]
FACE = BAND_MAPS.index("face")
PLATE = [BAND_MAPS.index(n) for n in ("spatter", "arc_strike")]


def dice_loss(logits: Tensor, truth: Tensor) -> Tensor:
    """One minus the soft overlap per channel, over the batch."""
    p = torch.sigmoid(logits)
    both = (p * truth).sum(dim=(0, 2, 3))
    return (1 - (2 * both + 20) / (p.sum(dim=(0, 2, 3)) + truth.sum(dim=(0, 2, 3)) + 20)).mean()


def _grown(mask: Tensor, px: int) -> Tensor:
    along = F.max_pool2d(mask, (1, 2 * px + 1), 1, (0, px))
    return F.max_pool2d(along, (2 * px + 1, 1), 1, (px, 0))


def reader_truth(truth: Tensor) -> Batch:
    """The face at full size and all else at half of it, from maps (B,len(BAND_MAPS),H,W)."""
    return truth[:, FACE : FACE + 1], F.avg_pool2d(truth[:, [BAND_MAPS.index(n) for n in NAMES]], 2)


def reader_loss(fine: Tensor, coarse: Tensor, face: Tensor, target: Tensor) -> Tensor:
    """Cross-entropy that counts most where each thing could be: weights by place leave the odds true.

    ``fine`` (B,1,H,W) and ``coarse`` (B,len(NAMES),H/2,W/2) are logits, ``face`` and ``target`` their truth.
    """
    edge = _grown(face, 4) - (1 - _grown(1 - face, 4))
    loss_face = F.binary_cross_entropy_with_logits(fine, face, weight=1 + 5 * edge)
    on = F.avg_pool2d(face, 2)
    by_toe = _grown(on, 13) - (1 - _grown(1 - on, 8))
    by_crater = _grown(target[:, NAMES.index("crater")][:, None], 8)
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


def finder_truth(truth: Tensor) -> Batch:
    """All of it at full size; the finder has nothing coarse to say."""
    return truth, truth[:, :0, ::2, ::2]


def finder_loss(fine: Tensor, coarse: Tensor, truth: Tensor, nothing: Tensor) -> Tensor:
    """Cross-entropy and overlap over the kinds of things."""
    weight = torch.tensor([4.0, 4.0, 3.0, 2.0, 2.0, 1.0], device=truth.device)[None, :, None, None]
    bce = F.binary_cross_entropy_with_logits(fine, truth, pos_weight=weight)
    return 4 * bce + dice_loss(fine, truth) + 0 * coarse.mean()


def plate_truth(truth: Tensor) -> Batch:
    """Balls of spatter at the picture's own size, arc strikes at half of it, from maps (B,2,H,W)."""
    return truth[:, :1], F.avg_pool2d(truth[:, 1:], 2)


def plate_loss(fine: Tensor, coarse: Tensor, spatter: Tensor, strike: Tensor) -> Tensor:
    """Cross-entropy and overlap of both."""
    bce = F.binary_cross_entropy_with_logits(fine, spatter) + F.binary_cross_entropy_with_logits(coarse, strike)
    return 6 * bce + 0.25 * dice_loss(fine, spatter) + 0.25 * dice_loss(coarse, strike)


def _band(seed: int, batch: int, device: str, around: Around, wild: int) -> Batch:
    return band_batch(seed, batch, device, fillet=seed % 5 == 0, surroundings=around, wild=wild)


def _scene(seed: int, batch: int, device: str, around: Around, wild: int) -> Batch:
    return scene_batch(seed, batch, device, fillet=seed % 5 == 0, surroundings=around, wild=wild)


def _plate(seed: int, batch: int, device: str, around: Around, wild: int) -> Batch:
    """What lies beside the bead, at half the band's scale, smoothed or merely sampled."""
    photo, truth = band_batch(
        seed, batch, device, (512, 512), astray_mm=35.0, fillet=seed % 5 == 0, surroundings=around, wild=wild
    )
    photo = F.avg_pool2d(photo, 2) if seed % 2 else photo[:, :, ::2, ::2]
    return photo, F.avg_pool2d(truth[:, PLATE], 2)


@dataclass(frozen=True, slots=True)
class Task:
    """One network: what it sees, what it is told, and how big it is."""

    render: Callable[[int, int, str, Around, int], Batch]
    truth: Callable[[Tensor], Batch]
    loss: Callable[[Tensor, Tensor, Tensor, Tensor], Tensor]
    fine: int
    coarse: int
    widths: tuple[int, ...]
    #: How many signs are told along the view, none where it is seen whole.
    signs: int
    #: What its channels say, fine ones first.
    names: tuple[str, ...]
    #: The coarse channel that says which way travel runs, turned when the picture is.
    forward: int | None = None

    def net(self) -> Reader:
        """The network, its outputs in the order of the truth."""
        return Reader(self.fine, self.coarse, self.widths, self.signs)


_READER = Task(
    _band, reader_truth, reader_loss, 1, len(NAMES), (16, 32, 48, 96, 144), 48, BAND_MAPS, NAMES.index("forward")
)
TASKS = {
    "finder": Task(_scene, finder_truth, finder_loss, len(KINDS), 1, (16, 24, 40, 56, 80), 0, KINDS),
    "reader": _READER,
    "second_reader": _READER,
    "plate": Task(_plate, plate_truth, plate_loss, 1, 1, (16, 24, 32, 40, 56), 0, ("spatter", "arc_strike")),
}


class Pool:
    """Rendered views kept as bytes on the device, the oldest replaced first."""

    def __init__(self, size: int) -> None:
        self.size, self.count, self.next, self.seen = size, 0, 0, 0
        self.kept: tuple[Tensor, ...] = ()

    def add(self, *views: Tensor) -> None:
        """Take in views (B,3,H,W) and their truths (B,C,h,w), all 0..1."""
        fresh = [(x.clamp(0, 1) * 255).round().to(torch.uint8) for x in views]
        if not self.kept:
            self.kept = tuple(torch.empty((self.size, *x.shape[1:]), dtype=torch.uint8, device=x.device) for x in fresh)
        at = (self.next + torch.arange(len(fresh[0]), device=fresh[0].device)) % self.size
        for kept, x in zip(self.kept, fresh, strict=True):
            kept[at] = x
        self.next = (self.next + len(at)) % self.size
        self.count = min(self.count + len(at), self.size)
        self.seen += len(at)

    def pick(self, batch: int, forward: int | None) -> tuple[Tensor, ...]:
        """Random views in another light, which falls off over each, half of them mirrored along, half across, and their
        truths."""
        device = self.kept[0].device
        at = torch.randint(self.count, (batch,), device=device)
        flips = [torch.rand((batch, 1, 1, 1), device=device) < 0.5 for _ in range(2)]
        picked = []
        for kept in self.kept:
            x = kept[at]
            for axis, flip in zip((-1, -2), flips, strict=True):
                x = torch.where(flip, x.flip(axis), x)
            picked.append(x.float() / 255)
        photo, fine, coarse = picked
        if forward is not None:
            ahead = coarse[:, forward : forward + 1]
            coarse[:, forward : forward + 1] = torch.where(flips[0], 1 - ahead, ahead)
        gain = torch.exp(0.25 * torch.randn((batch, 1, 1, 1), device=device))
        hue = torch.exp(0.04 * torch.randn((batch, 3, 1, 1), device=device))
        gamma = torch.exp(0.2 * torch.randn((batch, 1, 1, 1), device=device))
        fall = 0.35 * torch.rand((batch, 1, 1, 1), device=device) * torch.randn((batch, 1, 3, 4), device=device)
        lamp = torch.exp(F.interpolate(fall, photo.shape[-2:], mode="bicubic", align_corners=True))
        return (photo.clamp_min(1e-4) ** gamma * gain * hue * lamp).clamp(0, 1), fine, coarse


@dataclass(frozen=True, slots=True)
class Stretch:
    """One stretch of learning: ``steps`` of ``batch`` views, ``turns`` of them after ``fresh`` views were rendered into
    a pool of ``pool``; the rate stays at ``rate`` and falls along half a cosine over the last ``fall`` steps, over all
    of them where it is not said. Of nine batches ``wild`` have looks as varied as real ones. ``start`` names the
    files it begins with, the mean of several; else it goes on from the stretch before it, the first from nothing."""

    steps: int
    batch: int
    fresh: int
    turns: int
    pool: int
    rate: float
    seed: int
    wild: int
    fall: int | None = None
    start: tuple[str, ...] = ()

    def rate_at(self, step: int, steps: int) -> float:
        """The rate of one step of ``steps``; the first few hundred rise to it."""
        fall = steps if self.fall is None else min(self.fall, steps)
        fallen = max(0.0, (step - (steps - fall)) / max(fall, 1))
        return self.rate * min(1.0, step / 200 + 0.02) * (0.5 + 0.5 * math.cos(math.pi * fallen)) + 1e-6


def recipe(which: str, file: Path = HERE / "recipe.toml") -> tuple[Stretch, ...]:
    """The stretches of one network in order."""
    told = tomllib.loads(file.read_text("utf-8"))[which]
    return tuple(Stretch(**stretch | {"start": tuple(stretch.get("start", ()))}) for stretch in told)


def learn(
    task: Task, stretch: Stretch, device: str, around: Around, start: Sequence[Path], within: float | None = None
) -> Reader:
    """Learn for one stretch from the mean of the weights in ``start``, or from nothing; the mean of the weights.

    With ``within`` as many steps are made as fit into so many seconds; the number is printed, for the recipe.
    """
    torch.backends.cudnn.benchmark = True
    torch.manual_seed(stretch.seed)
    began = time.monotonic()
    net, mean = (task.net().to(device, memory_format=torch.channels_last) for _ in range(2))
    if start:
        take_up(net, start, task, device, around)
    mean.load_state_dict(net.state_dict())
    net.train()
    chase = torch.optim.AdamW(net.parameters(), lr=stretch.rate, weight_decay=1e-3)
    pairs = list(zip(mean.state_dict().values(), net.state_dict().values(), strict=True))
    floats = [[pair[k] for pair in pairs if pair[0].dtype.is_floating_point] for k in (0, 1)]
    counts = [pair for pair in pairs if not pair[0].dtype.is_floating_point]
    pool = Pool(stretch.pool)
    steps, step, rounds = stretch.steps, 0, 0
    timed = 0, began
    running = torch.zeros((), device=device)
    while step < steps:
        with torch.no_grad():
            photo, truth = task.render(stretch.seed * 1_000_003 + rounds, stretch.fresh, device, around, stretch.wild)
            pool.add(photo.nan_to_num(0.5), *task.truth(truth))
        rounds += 1
        if pool.count < min(8 * stretch.batch, stretch.pool):
            continue
        for _ in range(min(stretch.turns, steps - step)):
            for group in chase.param_groups:
                group["lr"] = stretch.rate_at(step, steps)
            photo, *true = pool.pick(stretch.batch, task.forward)
            with torch.autocast(torch.device(device).type, dtype=torch.bfloat16, enabled=device != "cpu"):
                fine, coarse = net(photo.contiguous(memory_format=torch.channels_last))
            loss = task.loss(fine.float(), coarse.float(), *true)
            chase.zero_grad()
            loss.backward()
            torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
            chase.step()
            step += 1
            keep = min(0.999, step / (step + 20))
            with torch.no_grad():
                torch._foreach_lerp_(floats[0], floats[1], 1 - keep)
                for m, n in counts:
                    m.copy_(n)
                running.lerp_(loss.detach(), max(0.01, 1 / step))
            if step in (100, 300) or step % 500 == 0 or step == steps:
                told, now = float(running), time.monotonic()
                if within and step >= 300 and now - began < 0.7 * within:
                    each = (now - timed[1]) / (step - timed[0])
                    steps = max(step, step + int((within - (now - began)) / each / 100) * 100)
                timed = step, now
                print(f"{now - began:6.0f} s  step {step} of {steps}  views {pool.seen}  loss {told:.4f}", flush=True)
    return mean


def write(which: str, weights: Path, path: Path, around: Around) -> None:
    """Write a trained network as ONNX with free height and width, in eight bits whose scales fresh views set.

    The names of its channels travel with it.
    """
    task = TASKS[which]
    net = task.net()
    net.load_state_dict(torch.load(weights, map_location="cpu"))
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
    device = str(around.light.device) if around else "cpu"
    views = torch.cat([_views(task, seed, device, around) for seed in range(1, 5)]).cpu()
    write_in_eight_bits(whole, [view[None].numpy() for view in views], path, task.names)
    whole.unlink()


def take_up(net: Reader, files: Sequence[Path], task: Task, device: str, around: Around) -> None:
    """Give ``net``, which lies on ``device``, the weights of a .pt or a .onnx file, or the mean of several."""

    def views() -> Tensor:
        return torch.cat([_views(task, seed, device, around) for seed in range(1, 4)])

    if len(files) > 1:
        others = [task.net().to(device) for _ in files]
        for other, file in zip(others, files, strict=True):
            take_up(other, [file], task, device, around)
        take_mean(net, others, views())
        return
    weights = files[0]
    if weights.suffix == ".onnx":
        thaw(net, weights, views())
    else:
        net.load_state_dict(net.state_dict() | torch.load(weights, map_location=device))  # what it lacks stays fresh


def _views(task: Task, seed: int, device: str, around: Around) -> Tensor:
    """A few pictures such as the network learns from (8, 3, H, W)."""
    with torch.no_grad():
        return task.render(seed, 8, device, around, 6)[0].nan_to_num(0.5).clamp(0, 1)


def main() -> None:
    """Follow the recipe, then write the network as ONNX."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("which", choices=tuple(TASKS))
    ask.add_argument("--out", type=Path, required=True, help="where the checkpoints are")
    ask.add_argument("--surroundings", type=Path, help="what workshop/surroundings.py wrote; without it rooms are bare")
    ask.add_argument(
        "--recipe", type=Path, default=HERE / "recipe.toml", help="the stretches; shipped.toml lies beside"
    )
    ask.add_argument("--stretch", type=int, help="only this one, from 1")
    ask.add_argument("--within", type=float, help="cut a stretch short to fit into so many seconds")
    ask.add_argument("--write", action="store_true", help="learn nothing, only write what was learned")
    said = ask.parse_args()
    if not said.recipe.is_file():
        ask.error(f"there is no recipe {said.recipe}: give a file such as {HERE / 'shipped.toml'}")
    device = "cuda" if torch.cuda.is_available() else "cpu"
    out: Path = said.out
    out.mkdir(parents=True, exist_ok=True)
    around = load(said.surroundings, device) if said.surroundings else None
    last = None
    for number, stretch in enumerate(recipe(said.which, said.recipe), 1):
        done = out / f"{said.which}-{number}.pt"
        if not (done.exists() or said.write) and said.stretch in (None, number):
            start = [out / name for name in stretch.start] or ([last] if last else [])
            torch.save(learn(TASKS[said.which], stretch, device, around, start, said.within).state_dict(), done)
        last = done if done.exists() else last
    if last is None:
        ask.error(f"there is no checkpoint of the {said.which} in {out}")
    write(said.which, last, out / f"{said.which}.onnx", around)


if __name__ == "__main__":
    main()
