"""Measure a folder on all cores into one table, and ask it something.

python demo_images/scripts/batch_to_pandas.py [FOLDER]
"""

from __future__ import annotations

import sys
from pathlib import Path

import toeline
from toeline.batch import Measured, measured_frame

folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parents[1]


def main() -> None:
    """Processes that measure import this file: what is to run once stands in a function."""
    done: list[Measured] = []
    for one in toeline.measure_many(sorted(folder.glob("*.jpg")), toeline.settings_from(check_line=49.7)):
        done.append(one)
        print(f"{len(done)}: {one.photo}{f': {one.problem}' if one.problem else ''}", file=sys.stderr)

    table = measured_frame(done)
    print(table[["photo", "width_mean_mm", "width_mean_U_mm", "undercut_length_total_mm"]].to_string(index=False))
    print("\nWidest on average:", table.loc[table["width_mean_mm"].idxmax(), "photo"])

    out = Path("out")
    out.mkdir(exist_ok=True)
    table.to_csv(out / "batch.csv", index=False)
    print(f"wrote {out / 'batch.csv'}")


if __name__ == "__main__":
    main()
