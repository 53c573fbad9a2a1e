"""How right the measures are on your own photos: beside each NAME.jpg lies NAME.json with what you know to be true.

python demo_images/scripts/accuracy_on_own_photos.py [FOLDER]
"""

from __future__ import annotations

import sys
from pathlib import Path

from toeline.validation.accuracy import run_accuracy

folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parents[1]


def main() -> None:
    """Processes that measure import this file: what is to run once stands in a function."""
    board = run_accuracy(folder, progress=lambda done, of, name: print(f"{done}/{of} {name}", file=sys.stderr))
    for figure in board.figures:
        if figure.value is not None:
            print(f"{figure.name}: {figure.value:.3g} (of {figure.n}; {figure.reached})")
    for measure in board.measures:
        if measure.inside is not None:
            print(f"{measure.name}: truth within U on {measure.inside:.0%} of {measure.photos} photos")
    for name, why in board.failed.items():
        print(f"{name} could not be measured: {why}")


if __name__ == "__main__":
    main()
