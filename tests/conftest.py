"""Shared fixtures: photos with truth from beside the repository, where they are."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from photos_with_truth import PHOTOS, truth_files


@pytest.fixture(scope="session")
def photos_dir() -> Path:
    """Folder of photos with truth; skips where it is not there."""
    if not truth_files():
        pytest.skip("needs ../shared/photos/dev")
    return PHOTOS


@pytest.fixture(scope="session")
def truths(photos_dir) -> list[tuple[Path, dict]]:
    """(photo, truth) of every photo with truth."""
    return [(path.with_suffix(".jpg"), json.loads(path.read_text("utf-8"))) for path in truth_files()]
