"""The house: what may import what, what an import costs, what comes along in the package."""

from __future__ import annotations

import ast
import json
import os
import subprocess
import sys
import tomllib
from importlib import metadata
from importlib.resources import files
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

from toeline.trace.band import READERS

ROOT = Path(__file__).resolve().parents[1]
LIBRARY = sorted((ROOT / "inspect" / "toeline").rglob("*.py"))
APP = sorted((ROOT / "app" / "toeline_app").rglob("*.py"))
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]


def imported(file: Path) -> set[str]:
    """Top-level names of the packages a module imports, wherever in it."""
    names = set()
    for node in ast.walk(ast.parse(file.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            names.add(node.module.split(".")[0])
    return names


def in_a_fresh_python(code: str) -> str:
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    return done.stdout.strip()


def test_inspect_is_the_standard_library_s_from_the_repository_root():
    where = Path(in_a_fresh_python("import inspect; print(inspect.__file__)"))
    assert ROOT not in where.parents
    assert where.name == "inspect.py"
    for root in ("inspect", "app"):
        assert not (ROOT / root / "__init__.py").exists()


def test_importing_toeline_loads_nothing_heavy():
    loaded = set(json.loads(in_a_fresh_python("import json, sys, toeline; print(json.dumps(list(sys.modules)))")))
    assert not loaded & {"cv2", "numpy", "scipy", "pydantic", "onnxruntime", "pandas", "streamlit", "sqlalchemy"}


def test_the_commands_that_measure_nothing_load_no_pictures_and_no_database():
    code = (
        "import json, sys\nfrom toeline.cli import main\nsys.argv = ['toeline', '--version']\n"
        "try: main()\nexcept SystemExit: pass\nprint(json.dumps(list(sys.modules)))"
    )
    loaded = set(json.loads(in_a_fresh_python(code).splitlines()[-1]))
    assert not loaded & {"cv2", "scipy", "onnxruntime", "pandas", "streamlit", "sqlalchemy"}


def test_library_and_app_keep_apart():
    for file in LIBRARY:
        assert "streamlit" not in imported(file), file
    for file in APP:
        assert not imported(file) & {"cv2", "scipy", "skimage", "onnxruntime"}, file


def test_no_stage_prints():
    for file in LIBRARY:
        if "cli" not in file.parts:
            calls = [node for node in ast.walk(ast.parse(file.read_text("utf-8"))) if isinstance(node, ast.Call)]
            assert not [c for c in calls if isinstance(c.func, ast.Name) and c.func.id == "print"], file


@pytest.mark.parametrize(
    ("modules", "extras"), [(LIBRARY, ("postgresql", "cluster", "agreement")), (APP, ("app",))], ids=["library", "app"]
)
def test_every_import_is_a_declared_dependency(modules, extras):
    wanted = [*PROJECT["dependencies"], *(line for e in extras for line in PROJECT["optional-dependencies"][e])]
    declared = {canonicalize_name(Requirement(line).name) for line in wanted}
    providers = metadata.packages_distributions()
    ours = {"toeline", "toeline_app", *sys.stdlib_module_names}
    for file in modules:
        for name in imported(file) - ours:
            known = {canonicalize_name(d) for d in providers.get(name, [name])}
            assert known & declared, f"{file} imports {name}, which pyproject.toml does not declare"


def test_lower_bounds_leave_out_releases_with_known_advisories():
    """Rows from memory (tests/published/advisories.toml); ``.ci/audit`` asks where the advisories can be reached."""
    advisories = tomllib.loads((ROOT / "tests" / "published" / "advisories.toml").read_text("utf-8"))["advisory"]
    extras = PROJECT["optional-dependencies"]
    asked: dict[str, list[Requirement]] = {}
    for line in [*PROJECT["dependencies"], *(line for lines in extras.values() for line in lines)]:
        asked.setdefault(canonicalize_name(Requirement(line).name), []).append(Requirement(line))
    for row in advisories:
        assert asked[row["package"]], row["package"]
        for one in asked[row["package"]]:
            least = [Version(part.version) for part in one.specifier if part.operator == ">="]
            assert least, one
            assert max(least) >= Version(row["fixed"]), f"{one}: {row['what']}"


def test_data_files_lie_in_the_package():
    data = files("toeline") / "data"
    names = {item.name for item in data.iterdir()}
    assert {"card.toml", "bead.toml", "card.typ"} <= names
    assert {f"{name}.onnx" for name in ("finder", "plate", "groove_depths", *READERS)} <= names
    assert (files("toeline") / "report" / "report.typ").is_file()
    assert (files("toeline") / "py.typed").is_file()
    assert list((data / "criteria").iterdir())


def test_networks_are_small():
    sizes = [len(item.read_bytes()) for item in (files("toeline") / "data").iterdir() if item.name.endswith(".onnx")]
    assert len(sizes) == 5
    assert sum(sizes) < 4_000_000


@pytest.mark.skipif(sys.platform != "linux", reason="where it would lie is known there")
def test_what_runs_the_networks_reports_to_nobody_and_leaves_nothing_behind(tmp_path):
    """Left to itself it keeps a number for this device, and what it did, in the user's folder, and sends that."""
    code = (
        "import os, numpy\n"
        "from toeline.trace.networks import see_kinds\n"
        "see_kinds(numpy.full((256, 256, 3), 128, numpy.uint8), 256)\n"
        "print(os.environ['ORT_DISABLE_TELEMETRY'])"
    )
    own = {name: value for name, value in os.environ.items() if not name.startswith(("ORT_", "XDG_"))}
    done = subprocess.run(
        [sys.executable, "-c", code], env=own | {"HOME": str(tmp_path)}, capture_output=True, text=True, check=False
    )
    assert done.stdout == "1\n", done.stderr
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


def test_the_top_level_holds_only_the_house():
    seen = {item.name for item in ROOT.iterdir() if not item.name.startswith(".")}
    house = {"README.md", "DEVELOPERS.md", "pyproject.toml", "inspect", "app", "tests", "calibration", "demo_images"}
    assert seen - {"dist", "build", "out"} <= house
