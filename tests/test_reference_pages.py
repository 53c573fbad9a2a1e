"""The reference pages beside the code say what the code says, and the README's own commands are in order."""

from __future__ import annotations

import re
from importlib.resources import files
from pathlib import Path

import pytest

from toeline.validation.pages import PAGES

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text("utf-8")


@pytest.mark.parametrize("name", PAGES)
def test_a_page_is_as_the_code_is(name):
    shipped = (Path(str(files("toeline"))) / name).read_text("utf-8")
    assert shipped == PAGES[name](), f"{name} is behind: run python -m toeline.validation.pages"


def test_the_readme_links_to_what_is_there():
    links = re.findall(r"\]\(([^)#]+)\)", README)
    assert links
    assert not [link for link in links if not (ROOT / link).exists()]


def test_the_readme_is_short_enough_to_be_read():
    assert len(README.split()) < 1350


def test_the_first_command_writes_only_where_git_does_not_look():
    first = next(line for line in README.splitlines() if line.startswith("    sh .ci/setup && "))
    written = re.findall(r"--(?:picture|report|json) (\S+)", first)
    assert written
    ignored = (ROOT / ".gitignore").read_text("utf-8").split()
    assert all(path.split("/")[0] + "/" in ignored for path in written)
