"""The scripts to start from run as they stand, on the demo photos that lie beside them."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

DEMO = Path(__file__).resolve().parents[1] / "demo_images"
SCRIPTS = DEMO / "scripts"
SAYS = {
    "measure_one": (r"width_mean +\d+\.\d+ ± \d+\.\d+ mm", r"print scale", r"wrote out/good_stringer\.jpg"),
    "judge": (r"^undecided: AWS D1\.1", r"pass +Overlap: N\. Holm looked", r"To settle it: "),
    "batch_to_pandas": (r"width_mean_mm +width_mean_U_mm", r"good_stringer\.jpg", r"wrote out/batch\.csv"),
    "own_criteria": (
        r"resting on workmanship",
        r"differs: width: limit v <= 0\.1 became v <= 0\.02",
        r"limit v ≤ 0\.02",
    ),
    "heights": (r"undercut_depth_left +\d", r"highest at \d+ mm", r"wrote out/surface\.npz"),
    "accuracy_on_own_photos": (r"width_mean: truth within U on (50|100)% of 2 photos",),
}
#: Of these a few photos show as much as all of them.
FEW = ("batch_to_pandas", "accuracy_on_own_photos")


def test_each_script_is_tried_and_told_of():
    scripts = {path.stem for path in SCRIPTS.glob("*.py")}
    assert scripts == set(SAYS)
    assert scripts == set(re.findall(r"\]\((\w+)\.py\)", (SCRIPTS / "README.md").read_text("utf-8")))


@pytest.mark.parametrize("name", SAYS)
def test_a_script_runs(name, tmp_path):
    words = []
    if name in FEW:
        for stem in ("good_stringer", "travel_too_fast"):
            for ending in (".jpg", ".json"):
                shutil.copy(DEMO / f"{stem}{ending}", tmp_path / f"{stem}{ending}")
        words = [str(tmp_path)]
    done = subprocess.run(
        [sys.executable, str(SCRIPTS / f"{name}.py"), *words],
        cwd=tmp_path, capture_output=True, text=True, check=False, env=os.environ | {"PYTHONIOENCODING": "utf-8"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    for said in SAYS[name]:
        assert re.search(said, done.stdout, re.MULTILINE), done.stdout
    for written in re.findall(r"^wrote (\S+)", done.stdout, re.MULTILINE):
        assert (tmp_path / written).stat().st_size > 0
