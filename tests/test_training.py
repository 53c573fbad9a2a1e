"""Networks learn by the recipe, from nothing or from what the package ships. Needs the ``train`` extra."""

import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import onnxruntime as ort
import pytest

torch = pytest.importorskip("torch", reason="needs the train extra")
pytest.importorskip("onnx", reason="needs the train extra")
torch.set_num_threads(1)  # as many tests as cores run side by side
ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "demo_images"))


@pytest.mark.parametrize("which", ["finder", "reader", "second_reader", "plate"])
def test_a_network_thawed_says_what_its_file_says(which):
    """Against ONNX Runtime on the shipped file."""
    from training.thaw import thaw
    from training.train import TASKS

    path = ROOT / "inspect" / "toeline" / "data" / f"{which}.onnx"
    photo = cv2.resize(
        cv2.imread(str(ROOT / "demo_images" / "arc_too_long.jpg")), (640, 480), interpolation=cv2.INTER_AREA
    )
    picture = np.ascontiguousarray(photo[None, :, :, ::-1].transpose(0, 3, 1, 2), np.float32) / 255
    net = TASKS[which].net()
    thaw(net, path, torch.from_numpy(picture))
    net.eval()
    with torch.no_grad():
        said = net(torch.from_numpy(picture))
    written = ort.InferenceSession(str(path)).run(None, {"image": picture})
    learned = 1 if which == "finder" else 2  # the finder has nothing coarse to say
    for ours, shipped in zip(said[:learned], written[:learned], strict=True):
        assert np.abs(ours.numpy() - shipped).mean() < 0.005  # what whole numbers of eight bits leave out
        assert np.quantile(np.abs(ours.numpy() - shipped), 0.999) < 0.25


def test_the_mean_of_networks_lies_between_them_and_can_go_on_learning():
    """By its definition: a network's mean with itself says what it says, no mean depends on what lies in a network's
    normalisations and what in its filters, and while it learns, the mean says what it says once it has learned."""
    from training.thaw import _groups, take_mean, thaw
    from training.train import TASKS

    path = ROOT / "inspect" / "toeline" / "data" / "second_reader.onnx"
    view = torch.rand(2, 3, 64, 128, generator=torch.Generator().manual_seed(1))
    one, itself, other, mean = (TASKS["second_reader"].net() for _ in range(4))
    for net in (one, itself, other):
        thaw(net, path, view)
    with torch.no_grad():
        for layers, norm in _groups(itself):  # filters three times as long, taken back by what is behind them
            for layer in layers:
                layer.weight.mul_(3)
            norm.running_mean.mul_(3)
            norm.running_var.add_(norm.eps).mul_(9).sub_(norm.eps)
        for weight in other.parameters():
            weight.mul_(1.05)
    said = []
    for net in (one, itself):
        take_mean(mean, [net, other], view)
        said.append([each.eval()(view)[0].detach() for each in (net, mean)])
    take_mean(other, [one, itself], view)
    assert torch.allclose(other.eval()(view)[0], said[0][0], rtol=0.02, atol=1e-6)
    assert torch.allclose(said[0][0], said[1][0], rtol=0.02, atol=1e-6)
    assert torch.allclose(said[0][1], said[1][1], rtol=0.02, atol=1e-6)
    assert not torch.allclose(said[0][0], said[0][1], rtol=0.02, atol=1e-6)
    with torch.no_grad():
        assert torch.allclose(torch.sigmoid(mean.train()(view)[0]), said[1][1], rtol=0.02, atol=1e-6)


def small(seed, batch, device, around, wild):
    """A few centimetres of bead; all looks are wild where ``wild`` is nine."""
    from workshop.scene import band_batch

    return band_batch(seed, batch, device, (64, 128), surroundings=around, wild=wild)


def test_a_stretch_of_the_recipe_learns():
    """The reader, from nothing, on one small pool: what it says of its views comes nearer to their truth."""
    from training.train import TASKS, Stretch, learn

    task = replace(TASKS["reader"], render=small)
    stretch = Stretch(steps=1, batch=2, fresh=2, turns=1, pool=2, rate=4e-2, seed=5, wild=9)
    losses = []
    for steps in (1, 80):
        net = learn(task, replace(stretch, steps=steps, turns=steps), "cpu", None, ())
        photo, truth = small(stretch.seed * 1_000_003, 2, "cpu", None, 9)
        with torch.no_grad():
            fine, coarse = net.train()(photo)
            losses.append(float(task.loss(fine, coarse, *task.truth(truth))))
    assert np.isfinite(losses).all()
    assert losses[1] < 0.85 * losses[0]


def test_a_picked_view_is_turned_together_with_its_truth():
    from training.train import Pool

    photo = torch.arange(32.0).reshape(1, 1, 4, 8).expand(1, 3, 4, 8) / 31
    ahead = torch.ones(1, 1, 2, 4)
    pool = Pool(1)
    pool.add(photo, photo[:, :1], ahead)
    torch.manual_seed(0)
    for _ in range(12):
        seen, fine, forward = pool.pick(1, 0)
        turned = bool(fine[0, 0, 0, 0] > fine[0, 0, 0, -1])  # the far end of the seam now lies first
        assert float(forward.mean()) == (0.0 if turned else 1.0)
        both = torch.corrcoef(torch.stack([seen[0, 0].flatten(), fine[0, 0].flatten()]))
        assert both[0, 1] > 0.5  # another light, the same way round


def test_weld_metal_runs_into_undercuts_and_nowhere_else_beyond_the_toes():
    from workshop.bead_shape import any_plan, lay
    from workshop.noise import Dice

    dice = Dice(11, 24, "cpu")
    s, t = torch.arange(0, 90, 0.2), torch.arange(20, -20, -0.2)
    weld = lay(dice, any_plan(dice, 90.0), s, t)
    beyond = weld.face - weld.maps["face"]
    cut = weld.height < -0.02
    assert beyond.min() == 0
    assert beyond[weld.maps["undercut"] > 0].mean() > 0.1
    assert cut[beyond > 0].float().mean() > 0.95


def test_what_froze_last_is_smooth_where_the_crater_lies_still():
    from workshop.bead_shape import any_plan, lay
    from workshop.noise import Dice

    s, t = torch.arange(0, 60, 0.1), torch.arange(9, -9, -0.1)

    def laid(still: float):
        dice, one = Dice(4, 8), torch.ones(8, 1, 1)
        plan = replace(any_plan(dice, 60.0), start=4 * one, end=50 * one, width=10 * one, restart=0 * one)
        return lay(dice, replace(plan, pitch=1.5 * one, ripple_amp=0.15 * one, still=still * one), s, t)

    rippled, smooth = laid(0.0), laid(1.2)
    middle = (rippled.left + rippled.right)[:, :, None] / 2
    away = torch.hypot(s - rippled.truth["centre"][..., None], t[:, None] - middle)
    crater = away < 0.8 * rippled.truth["crater_radius"]
    waves = (rippled.height - smooth.height).abs()
    assert waves[crater].mean() > 0.02
    assert waves[away > 2.5 * rippled.truth["crater_radius"]].max() < 0.01
    assert smooth.maps["crest"][crater].max() < 0.1


def test_faces_without_crosswise_ripples_have_no_crests():
    from workshop.bead_shape import any_plan, lay
    from workshop.looks import FACES, Look
    from workshop.noise import Dice

    dice = Dice(3, len(FACES))
    look = Look(torch.arange(len(FACES)).reshape(-1, 1, 1), torch.zeros(len(FACES), 1, 1))
    s, t = torch.arange(0, 48, 0.25), torch.arange(12, -12, -0.25)
    plan = replace(any_plan(dice, 48.0), start=torch.full((5, 1, 1), -30.0), end=torch.full((5, 1, 1), 90.0))
    weld = lay(dice, plan, s, t, look)
    crests = {name: bool(weld.maps["crest"][k].max() > 0.5) for k, name in enumerate(FACES)}
    assert crests == {"ripples": True, "flow_lines": False, "glassy": False, "coarse": True, "lumpy": False}


@pytest.mark.filterwarnings("ignore::DeprecationWarning")  # of torch's exporter, in its own words
@pytest.mark.parametrize("which", ["finder", "reader", "plate"])
def test_the_recipe_leads_from_nothing_to_a_file(which, tmp_path, monkeypatch):
    """Its first stretch cut to two steps on small views, then the file that ONNX Runtime reads as the package does."""
    from training.train import TASKS, learn, recipe, write

    first, *later = recipe(which)
    assert not any(stretch.start for stretch in (first, *later))  # one way, from nothing to the end

    def view(seed, batch, device, around, wild):
        photo, truth = small(seed, batch, device, around, wild)
        return photo, truth if which == "reader" else truth[:, : len(TASKS[which].names)]

    monkeypatch.setitem(TASKS, which, replace(TASKS[which], render=view))
    task = TASKS[which]
    net = learn(task, replace(first, steps=2, batch=2, fresh=2, turns=2, pool=2), "cpu", None, ()).eval()
    torch.save(net.state_dict(), tmp_path / "net.pt")
    write(which, tmp_path / "net.pt", tmp_path / "net.onnx", None)
    run = ort.InferenceSession(str(tmp_path / "net.onnx"))
    assert tuple(run.get_modelmeta().custom_metadata_map["channels"].split(",")) == task.names
    photo, _ = view(3, 1, "cpu", None, 6)
    with torch.no_grad():
        fine, coarse = net(photo)
    written = run.run(None, {"image": photo.numpy()})
    assert [w.shape for w in written] == [tuple(fine.shape), tuple(coarse.shape)]
    assert np.abs(written[0] - fine.numpy()).mean() < 0.05


def test_the_rate_rises_stays_and_falls_at_the_end():
    from training.train import Stretch

    stretch = Stretch(steps=1000, batch=1, fresh=1, turns=1, pool=1, rate=2e-3, seed=1, wild=0, fall=400)
    rates = [stretch.rate_at(step, 1000) for step in range(1000)]
    assert rates[0] < 1e-4
    assert rates[200:600] == pytest.approx([2e-3] * 400, rel=1e-3)
    assert rates[800] == pytest.approx(1e-3, rel=1e-2)
    assert rates[-1] < 1e-5
    whole = replace(stretch, fall=None)  # half a cosine over all of it
    assert whole.rate_at(500, 1000) == pytest.approx(1e-3, rel=1e-2)


@pytest.mark.parametrize("file", ["recipe.toml", "shipped.toml"])
def test_no_stretch_sees_what_another_saw(file):
    from training.train import HERE, TASKS, recipe

    for which in TASKS:
        stretches = recipe(which, HERE / file)
        learning = [stretch for stretch in stretches if stretch.steps > 0]
        assert len({stretch.seed for stretch in learning}) == len(learning)
        assert all(
            stretch.start for stretch in stretches if stretch.steps == 0
        )  # a mean, or a wider network, to begin with
        assert all(0 <= stretch.wild <= 9 for stretch in stretches)
        assert all(stretch.fall is None or 0 < stretch.fall <= stretch.steps for stretch in stretches)


def test_the_channels_travel_with_the_network():
    """What the training calls an output is what the package reads by that name."""
    from training.train import TASKS

    from toeline.trace.networks import channels

    for which, task in TASKS.items():
        assert channels(which) == task.names


@pytest.mark.filterwarnings("ignore::DeprecationWarning")  # of torch's exporter, in its own words
def test_the_network_of_depths_learns_from_pairs_of_photos_and_is_written(tmp_path):
    """From toes whose pairs agree best on the true depth. Against torch on the file that is written."""
    from training.depth_net import Together
    from training.depths import Kind, Toe, held_out, learn, levels, write

    assert levels(torch.tensor([[0.0, 0.13, 9.0]]), 0.1, 3)[0].T.tolist() == [
        [1.0, 0.0, 0.0],
        [0.0, pytest.approx(0.7), pytest.approx(0.3)],
        [0.0, 0.0, 1.0],
    ]
    rng = np.random.default_rng(3)
    tried = np.arange(21) / 10

    def toe(deep: float) -> Toe:
        depth = np.where(np.abs(np.arange(100) - 50) < 30, deep, 0.0)
        z = np.exp(-(((tried[:, None] - depth) / 0.15) ** 2))[None, :, None] + rng.normal(0, 0.1, (10, 21, 16, 100))
        return Toe(z.astype(np.float16), rng.normal(0, 0.3, (5, 2)), np.ones(100), depth)

    held = [toe(0.5)]
    net = learn([toe(deep) for deep in (0.3, 0.6, 0.9, 1.2)], held, 1, Kind(12, 24, batch=16, steps=10), "cpu")
    assert float(held_out(net, held, "cpu").split(",")[0]) < 0.5 * np.log(21)  # of a network that knows nothing
    write([net, net], tmp_path / "net.onnx")
    signs, seen = torch.rand(3, 24, 21, 17), torch.rand(17)
    written = ort.InferenceSession(str(tmp_path / "net.onnx")).run(None, {"pairs": signs.numpy(), "seen": seen.numpy()})
    with torch.no_grad():
        said = Together([net])(signs, seen)
    assert written[0] == pytest.approx(said.numpy(), abs=1e-5)
