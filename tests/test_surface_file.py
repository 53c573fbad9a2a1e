"""The surface as a file: whole or not at all."""

from __future__ import annotations

import numpy as np
import pytest
import x3pio

from test_record_faults import small_disk
from test_relief_budgets import on_a_plate
from toeline.errors import SettingsError
from toeline.photogrammetry import save_surface


@pytest.mark.parametrize("name", ["surface.npz", "surface.x3p", "surface.png", "surface.NPZ"])
def test_a_surface_that_does_not_fit_leaves_the_file_as_it_was(tmp_path, name):
    path = tmp_path / name
    path.write_bytes(b"the one before")
    with small_disk(100), pytest.raises(SettingsError, match=rf"{name} cannot be written"):
        save_surface(on_a_plate(), path)
    assert {one.name: one.read_bytes() for one in tmp_path.iterdir()} == {name: b"the one before"}
    save_surface(on_a_plate(), path)
    assert [one.name for one in tmp_path.iterdir()] == [name]
    assert len(path.read_bytes()) > 1000


def test_the_files_say_the_same(tmp_path):
    for name in ("surface.npz", "surface.x3p"):
        save_surface(on_a_plate(), tmp_path / name)
    told = np.load(tmp_path / "surface.npz")["h_mm"]
    layer = x3pio.read(tmp_path / "surface.x3p").layers[0]
    assert np.nanmax(np.asarray(layer.z)) * 1000 == pytest.approx(np.nanmax(told))
