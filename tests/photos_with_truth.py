"""Photos with truth from beside the repository, where they are."""

from __future__ import annotations

from pathlib import Path

PHOTOS = Path(__file__).resolve().parents[2] / "shared" / "photos" / "dev"


def truth_files() -> list[Path]:
    """Truth files of the photos beside the repository; empty where there are none."""
    return sorted(PHOTOS.glob("*.json"))
