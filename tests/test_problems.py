"""The registry of problems: each says what is wrong and what to do, and is raised somewhere."""

from __future__ import annotations

import re
from pathlib import Path
from string import Formatter

import pytest

from toeline.problems import REGISTRY, problem

ROOT = Path(__file__).resolve().parents[1]
LIBRARY = {file: file.read_text("utf-8") for file in (ROOT / "inspect" / "toeline").rglob("*.py")}


def placeholders(text: str) -> set[str]:
    return {name for _, name, _, _ in Formatter().parse(text) if name}


@pytest.mark.parametrize("code", REGISTRY)
def test_every_problem_says_what_is_wrong_and_what_to_do(code):
    kind = REGISTRY[code]
    said = problem(code, **dict.fromkeys(placeholders(kind.text + kind.do), 7))
    assert said.severity == kind.severity
    assert said.code == code
    assert "{" not in said.text
    for part in (kind.text, kind.do):
        assert part.endswith((".", "}"))
        assert part.strip() == part


@pytest.mark.parametrize("code", REGISTRY)
def test_every_problem_can_happen(code):
    word = re.compile(rf'"{code}"')
    stem = re.compile(rf'"{code.removesuffix("_strong")}"')
    assert any(word.search(text) or stem.search(text) for f, text in LIBRARY.items() if f.name != "problems.py")


def test_every_problem_asked_for_is_in_the_registry():
    asked = {code for text in LIBRARY.values() for code in re.findall(r'\bproblem\(\s*"(\w+)"', text)}
    assert asked
    assert asked <= REGISTRY.keys()


def test_a_placeholder_forgotten_is_an_error():
    with pytest.raises(KeyError):
        problem("blur_strange")
    with pytest.raises(KeyError):
        problem("tilt")
