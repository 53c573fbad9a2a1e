"""The page of what comes with toeline names all that is asked for, each with its reason; its sizes are not held."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent / "benchmarks"))

from list_dependencies import EXTRAS, PAGE, asked, brought, reasons

ROWS = re.findall(r"^\| ([a-z0-9-]+) \| ([\d.]+) \| (.+) \|$", PAGE.read_text("utf-8"), re.MULTILINE)


@pytest.mark.parametrize("section", [None, *EXTRAS])
def test_all_that_is_asked_for_has_its_reason(section):
    why = reasons(section or "dependencies")
    told = {(name, said) for name, _, said in ROWS}
    without = brought(asked()) if section else {}
    for name, by in brought(asked(section)).items():
        if name == by and name not in without:
            assert why[name], f"{name}: say in pyproject.toml why it is there"
            assert (name, why[name]) in told, f"{name}: run python tests/benchmarks/list_dependencies.py"
