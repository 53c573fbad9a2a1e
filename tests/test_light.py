"""What mirrors of the workshop's steel show of the relief round them. Needs the ``train`` extra."""

import math
import sys
from pathlib import Path

import pytest

torch = pytest.importorskip("torch", reason="needs the train extra")
sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "demo_images"))

STEP = 0.1


def seen(slope: float, plate: tuple[float, float, float]) -> "torch.Tensor":
    """A blank bank of this slope beside a dull plate, from above, under a plain sky: colours (3,) of bank and plate."""
    from workshop.light import Lights, shade
    from workshop.surface import Surface

    wide = 240
    t = (torch.arange(wide) - wide / 2) * STEP  # the bank stands to the right, up to 4 mm
    bank = ((t > 0) & (t < 4 / slope)).float().expand(1, 1, wide, wide)
    height = (slope * t).clamp(0, 4).expand(1, 1, wide, wide)
    dull = torch.tensor(plate)[None, :, None, None].expand(1, 3, wide, wide)
    surface = Surface(
        height.contiguous(), dull * (1 - bank), 0.9 * bank.expand_as(dull), 0.1 + 0 * bank, 0.0, wide / 2 * STEP, STEP
    )
    none = torch.zeros(1, 1, 3)
    sky = torch.ones(1, 1)
    lights = Lights(none + torch.tensor([0.0, 0.0, 1.0]), torch.ones(1, 1), none, sky, sky, sky, 0, torch.ones(1, 0))
    s = torch.tensor([[12.0 + 2 / slope, 4.0]]) - STEP / 2
    target = torch.stack([s, 0 * s, torch.tensor([[2.0, 0.0]])], -1)[None]
    colours, _ = shade(surface, target, torch.tensor([[12.0, 0.0, 500.0]]), lights, steps=400)
    return colours[0, :, 0].T


@pytest.mark.parametrize("plate", [(0.8, 0.1, 0.1), (0.1, 0.1, 0.8)])
def test_a_steep_bank_mirrors_the_plate_beside_it(plate):
    """By the law of reflection: from above, what leans by more than 45 degrees mirrors what lies below the horizon."""
    bank, ground = seen(math.tan(math.radians(65)), plate)
    assert torch.argmax(bank) == torch.argmax(torch.tensor(plate))
    assert bank.max() / bank.min() > 0.6 * ground.max() / ground.min()


def test_a_gentle_bank_mirrors_the_sky():
    bank, _ = seen(math.tan(math.radians(15)), (0.8, 0.1, 0.1))
    assert bank.max() / bank.min() < 1.1


def test_a_near_lamp_lights_what_lies_below_it_most():
    """By the laws of the inverse square and of the cosine: 120 mm aside of a lamp that stands 300 mm high."""
    from workshop.light import Lights, shade
    from workshop.surface import Surface

    flat = torch.zeros(1, 1, 241, 241)
    dull = flat.expand(1, 3, 241, 241)
    surface = Surface(flat, 0.5 + dull, dull, 0.5 + flat, -120.0, 120.0, 1.0)
    up, dark = torch.tensor([[[0.0, 0.0, 1.0]]]), torch.zeros(1, 1)
    lamp = Lights(up, torch.full((1, 1), 500.0), torch.ones(1, 1, 3), dark, dark, dark, 1, torch.full((1, 1), 300.0))
    s = torch.tensor([[0.0, 120.0]])
    target = torch.stack([s, 0 * s, 0 * s], -1)[None]
    colours, _ = shade(surface, target, torch.tensor([[0.0, 0.0, 600.0]]), lamp)
    below, aside = colours[0, 0, 0]
    assert float(aside / below) == pytest.approx((300 / math.hypot(300, 120)) ** 3, rel=0.02)


def test_one_light_in_five_rakes_over_the_plate_and_outshines_the_room():
    from workshop.light import any_lights
    from workshop.noise import Dice

    lights = any_lights(Dice(8, 3000))
    gives = lights.colour[..., 1] / lights.sharpness * lights.direction[..., 2].clamp_min(0)  # to a plate, but a factor
    raked = (lights.direction[:, 0, 2] < math.sin(math.radians(26))) & (gives[:, 0] > 2 * gives[:, 1:].sum(dim=1))
    assert 0.1 < float(raked.float().mean()) < 0.3


def test_colours_that_a_screen_cannot_show_are_no_light_less_than_none():
    import numpy as np
    from workshop.surroundings import _prepared

    panorama = np.ones((128, 256, 3), np.float32)
    panorama[20:30, 40:60, 0] = -30
    light, _ = _prepared(panorama)
    assert light.min() >= 0
