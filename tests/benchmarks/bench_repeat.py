"""The tool's own spread: how far its measures differ between photos of the same bead, taken anew each time.

    python tests/benchmarks/bench_relief.py shoot FOLDER --scenes 10
    python tests/benchmarks/bench_repeat.py FOLDER

Each scene's photos show one bead from stands a careful person and a less careful one take, square on and leaning to
all sides; every one is measured by itself. For each measure the standard deviation within scenes, pooled over them
(ISO 5725-2), and over how many photos of how many scenes it was taken: the figures of ``repeatability.toml``. What
holds on rendered photos need not hold at a bench: the app's page Repeatability takes the same from one's own photos.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from toeline.measures.registry import MEASURES
from toeline.pipeline import measure
from toeline.result import Result
from toeline.validation.accuracy import inputs_of
from toeline.validation.relief_scenes import scenes_in
from toeline.validation.repeatability import spreads


def main() -> None:
    """Measure the scenes and print the figures as TOML."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("folder", type=Path)
    groups: dict[str, list[Result]] = {}
    for name, photos in scenes_in(ask.parse_args().folder).items():
        settings = inputs_of(json.loads(photos[0].with_suffix(".json").read_text("utf-8")))
        found = [measure(photo, **settings) for photo in photos]
        groups[name] = [result for result in found if not result.stopped]
    for spread in spreads(groups):
        if spread.found is not None and spread.measure in MEASURES:
            count = f"{spread.found.readings} photos of {spread.found.groups} beads"
            print(f"{spread.measure} = {spread.found.s:.3g}  # {count}; stated U {spread.stated_U or 0:.3g}")


if __name__ == "__main__":
    main()
