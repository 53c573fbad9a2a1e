"""Shared fixtures: photos with truth from beside the repository, where they are."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from photos_with_truth import PHOTOS, truth_files

#: For tests that load a network themselves; toeline sees to it by itself.
os.environ["ORT_DISABLE_TELEMETRY"] = "1"


@pytest.fixture(autouse=True, scope="session")
def own_cache(tmp_path_factory) -> None:
    """What a batch keeps goes to a folder of this run's own."""
    os.environ["XDG_CACHE_HOME"] = str(tmp_path_factory.mktemp("cache"))


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
