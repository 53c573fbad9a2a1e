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
    lights = Lights(none + torch.tensor([0.0, 0.0, 1.0]), torch.ones(1, 1), none, sky, sky, sky, 0)
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
