"""The package's own figures: one typed model a file, refused with the line when wrong, each key explained."""

from __future__ import annotations

import re
import tomllib

import pytest

from toeline import datafile
from toeline.causes import figures as causes
from toeline.errors import DataFileError
from toeline.geometry import figures as geometry
from toeline.measures import figures as measures
from toeline.photo import figures as photo
from toeline.processes import figures as processes
from toeline.trace import figures as trace

MODELS = [
    model
    for room in (geometry, trace, measures, photo, processes, causes)
    for model in vars(room).values()
    if isinstance(model, type) and issubclass(model, datafile.DataFile) and model is not datafile.DataFile
]


@pytest.fixture(params=MODELS, ids=lambda model: model.file_name)
def model(request):
    return request.param


def test_the_shipped_file_is_what_the_model_says(model):
    figures = model.read()
    assert figures is model.read()  # read once
    with pytest.raises(ValueError, match="frozen"):
        setattr(figures, next(iter(type(figures).model_fields)), None)


def keys(text: str) -> list[tuple[int, str, str]]:
    """(line, table, key) of every plain key of a TOML text."""
    table, found = "", []
    for number, line in enumerate(text.splitlines(), 1):
        if header := re.match(r"\s*\[([\w.-]+)\]", line):
            table = header[1]
        elif key := re.match(r"\s*([\w-]+)\s*=", line):
            found.append((number, table, key[1]))
    return found


def test_a_wrong_figure_is_refused_with_its_line(model):
    text = datafile.text_of(model.file_name)
    lines = text.splitlines()
    numbers = [k for k in keys(text) if re.match(r"\s*[\w-]+\s*=\s*-?[\d.]", lines[k[0] - 1])]
    number, _, key = numbers[len(numbers) // 2]
    lines[number - 1] = f'{key} = "wrong"'
    with pytest.raises(DataFileError, match=rf"{re.escape(model.file_name)}, line {number}: .*{key}"):
        model.parse("\n".join(lines))


def test_a_key_that_nobody_reads_is_refused(model):
    text = datafile.text_of(model.file_name)
    table = next((t for _, t, _ in keys(text) if t and "." not in t), None)
    broken = text.replace(f"[{table}]", f"[{table}]\nmisspelt = 1.0", 1) if table else text + "\nmisspelt = 1.0\n"
    with pytest.raises(DataFileError, match="misspelt"):
        model.parse(broken)


def test_a_key_that_is_missing_is_refused(model):
    data = tomllib.loads(datafile.text_of(model.file_name))
    table = next((name for name, body in data.items() if isinstance(body, dict) and len(body) > 1), None)
    key = next(iter(data[table] if table else data))
    head = rf"(?ms)^(\[{table}\].*?\n)" if table else "(?ms)^()"
    text = re.sub(rf"{head}{key}\s*=[^\n]*\n", r"\1", datafile.text_of(model.file_name), count=1)
    with pytest.raises(DataFileError, match=key):
        model.parse(text)


def test_every_figure_is_explained(model):
    """Each key has its own comment beside it, or belongs to a run that a comment above it opens."""
    lines = datafile.text_of(model.file_name).splitlines()
    bare = []
    for number, _, key in keys(datafile.text_of(model.file_name)):
        above = lines[number - 2] if number > 1 else ""
        if "#" not in lines[number - 1] and not above.lstrip().startswith("#") and "#" not in above:
            bare.append(f"line {number}: {key}")
    assert not bare, bare


def test_not_toml_is_one_sentence():
    with pytest.raises(DataFileError, match="not valid TOML"):
        geometry.CameraFigures.parse("[prior\n")
