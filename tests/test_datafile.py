"""The package's own figures: one typed model a file, refused with the line when wrong, each key explained."""

from __future__ import annotations

import importlib
import pkgutil
import re
import tomllib
from collections.abc import Iterator
from importlib import resources
from typing import Any, get_args, get_origin

import pytest
from pydantic import BaseModel
from pydantic.fields import FieldInfo

import toeline
from toeline import datafile
from toeline.datafile import read_toml
from toeline.errors import DataFileError
from toeline.geometry.figures import CameraFigures

for module in pkgutil.walk_packages(toeline.__path__, "toeline."):
    if ".migrations" not in module.name:
        importlib.import_module(module.name)
MODELS = sorted(datafile.DataFile.__subclasses__(), key=lambda model: model.file_name)


@pytest.fixture(params=MODELS, ids=lambda model: model.file_name)
def model(request):
    return request.param


def test_the_shipped_file_is_what_the_model_says(model):
    figures = model.read()
    assert figures is model.read()  # read once
    with pytest.raises(ValueError, match="frozen"):
        setattr(figures, next(iter(type(figures).model_fields)), None)


#: Sets that a user may replace by his own, with readers of their own.
SETS = {"criteria", "procedures", "rubrics"}


def test_every_data_file_is_read_through_a_model():
    folder = resources.files("toeline") / "data"
    files = {path.name for path in folder.iterdir() if path.name.endswith(".toml") or path.is_dir()}
    assert files - SETS == {model.file_name for model in MODELS}


def inner(kind: Any) -> Iterator[type[BaseModel]]:
    """The models that a field of this type holds."""
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        yield kind
    for part in get_args(kind):
        yield from inner(part)


def fields(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """A model's fields by the key that stands in the file."""
    return {field.alias or name: field for name, field in model.model_fields.items()}


def every_key(model: type[BaseModel]) -> set[str]:
    """The keys of a model and of all that it holds: other keys of a file are names of its own."""
    found = set(fields(model))
    for field in model.model_fields.values():
        for held in inner(field.annotation):
            found |= every_key(held)
    return found


def tables(model: type[BaseModel], text: str) -> list[tuple[int, type[BaseModel]]]:
    """The line of each table's header, 0 for the file itself, and the model of the table."""
    found: list[tuple[int, type[BaseModel]]] = [(0, model)]
    for number, line in enumerate(text.splitlines(), 1):
        if not (header := re.match(r"\s*\[+([^\]]+)\]", line)):
            continue
        here: Any = model
        for part in re.findall(r'[\w-]+|"[^"]*"', header[1]):
            if isinstance(here, type) and issubclass(here, BaseModel):
                field = fields(here)[part].annotation
                by_name = get_origin(field) is dict
                held = list(inner(field))
                here = {"by name": held} if by_name else held[0] if held else None
            else:  # a name of the file's own
                here = here["by name"][0] if here and here["by name"] else None
        if isinstance(here, type) and issubclass(here, BaseModel):
            found.append((number, here))
    return found


def keys(text: str) -> list[tuple[int, int, str]]:
    """(line, line of the table's header, key) of every plain key of a TOML text."""
    table, found = 0, []
    for number, line in enumerate(text.splitlines(), 1):
        if re.match(r"\s*\[", line):
            table = number
        elif key := re.match(r"\s*([\w-]+)\s*[=.]", line):
            found.append((number, table, key[1]))
    return found


def some(found: list[Any]) -> list[Any]:
    """The first, the last and a few between."""
    return found[:1] + found[1 :: max(len(found) // 6, 1)] + found[-1:]


def test_a_wrong_figure_is_refused_with_its_line(model):
    lines = datafile.text_of(model.file_name).splitlines()
    numbers = [k for k in keys("\n".join(lines)) if re.match(r"\s*[\w-]+\s*=\s*-?[\d.]", lines[k[0] - 1])]
    for number, _, key in some(numbers):
        broken = [*lines]
        broken[number - 1] = f'{key} = "wrong"'
        with pytest.raises(DataFileError, match=rf"{re.escape(model.file_name)}, line {number}: .*{key}"):
            model.parse("\n".join(broken))


def test_a_key_that_nobody_reads_is_refused_with_its_line(model):
    lines = datafile.text_of(model.file_name).splitlines()
    for header, _ in some(tables(model, "\n".join(lines))):
        broken = [*lines[:header], "misspelt = 1.0", *lines[header:]]
        with pytest.raises(DataFileError, match=rf"line {header + 1}: .*misspelt"):
            model.parse("\n".join(broken))


def test_a_key_that_is_missing_is_refused_with_its_table_s_line(model):
    lines = datafile.text_of(model.file_name).splitlines()
    of = dict(tables(model, "\n".join(lines)))
    needed = [
        (number, header, key)
        for number, header, key in keys("\n".join(lines))
        if header in of
        and key in fields(of[header])
        and fields(of[header])[key].is_required()
        and not re.search(r"[\[{,]\s*(#.*)?$", lines[number - 1])
        and not re.match(rf"\s*{key}\s*\.", lines[number - 1])
    ]
    for number, header, key in some(needed):
        broken = [*lines[: number - 1], "", *lines[number:]]
        with pytest.raises(DataFileError, match=rf"line {max(header, 1)}: .*{key}"):
            model.parse("\n".join(broken))


def test_every_figure_is_explained(model):
    """Each key has its own comment beside it or above it, or is named in the comment that explains its like."""
    text = datafile.text_of(model.file_name)
    lines = text.splitlines()
    named = set(re.findall(r"`(\w+)`", " ".join(line for line in lines if line.lstrip().startswith("#"))))
    explained = named | {"source"}
    bare = [
        f"line {number}: {key}"
        for number, _, key in keys(text)
        if key in every_key(model) - explained
        and "#" not in lines[number - 1]
        and not (number > 1 and lines[number - 2].lstrip().startswith("#"))
    ]
    assert not bare, bare


@pytest.mark.parametrize(
    ("where", "line"),
    [
        ((), 1),
        (("title",), 1),
        (("nothing",), 1),
        (("rod",), 3),
        (("rod", "E 1", "amps"), 4),
        (("rod", "E 1", "amps", "3.2"), 4),
        (("rod", "E 1", "arc"), 3),
        (("list",), 5),
        (("list", 0, "at"), 5),
        (("list", 1, "at"), 8),
        (("list", 1, "more", "x"), 10),
        (("list", 2), 11),
        (("list", 2, "limit", "B"), 12),
        (("list", 2, "limit", "C"), 13),
        (("list", 2, "limit"), 12),
    ],
)
def test_a_place_is_found_by_its_line(where, line):
    text = """title = "x"

[rod."E 1"]
amps = { "3.2" = 1 }
[[list]]
# at = 1
[[list]]
at = 2
[list.more]
x = 1
[[list]]
limit.B = 1
limit.C = 2
"""
    assert datafile.line_of(text, where) == line


def test_not_toml_is_one_sentence():
    with pytest.raises(DataFileError, match="not valid TOML"):
        CameraFigures.parse("[prior\n")


@pytest.mark.parametrize(
    "text",
    [
        'title = "\\u001b[31mred"',
        '["\\u0007"]\na = 1',
        'a = [["b", {c = "\\u202ebackwards"}]]',
        'a = "\u202ebackwards"',
    ],
)
def test_no_text_of_a_file_that_a_user_gives_commands_a_terminal_or_turns_the_writing_about(text):
    with pytest.raises(tomllib.TOMLDecodeError, match="a sign that nobody sees"):
        read_toml(text)


def test_what_a_person_would_write_is_read():
    assert read_toml('a = "Zoë\\n\\t≤ 3 µm"\n\n[[b]]\nc = """two\nlines"""')["b"] == [{"c": "two\nlines"}]
