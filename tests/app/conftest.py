"""Lets these tests use the invented results of the tests beside them."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))


@pytest.fixture(autouse=True)
def own_main_module():
    """A page tried in this process leaves its script behind as the main module."""
    main = sys.modules["__main__"]
    yield
    sys.modules["__main__"] = main


@pytest.fixture(autouse=True)
def own_drafts(tmp_path, monkeypatch):
    """What the app keeps for a time lies in the test's own folder."""
    from toeline_app.service import retention

    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    retention.drafts.clear()
    retention.classes.clear()
