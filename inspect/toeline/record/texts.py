"""The texts of a result that name people, kept apart from it so that they can be erased."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from typing import Any

from toeline.record.mentions import Mentions
from toeline.result import Result

#: Stands in a stored result where a text is kept apart from it, or was erased.
ERASED = "(erased)"


def part_texts(result: Result, names: list[str]) -> tuple[str, dict[str, str]]:
    """A result's JSON text without what names people, and the texts taken out, each as JSON of its path and words.

    ``names`` are the people known; whom a reading or a look names as its author is known besides. The photos' file
    names are left out, as they are kept with the inspection's photos.
    """
    document = _without_file_names(result).model_dump(mode="json", by_alias=True)
    people = {name for name in names if re.search(r"[^\W_]", name)} | set(_authors(document))
    if not people:
        return _text(document), {}
    mentioned = [Mentions(name) for name in people]
    found = [(path, words) for path, words in texts_of(document) if any(one.in_text(words) for one in mentioned)]
    for path, _ in found:
        _put(document, path, ERASED)
    return _text(document), {f"result {k}": _text([*path_and_words]) for k, path_and_words in enumerate(found, 1)}


def _without_file_names(result: Result) -> Result:
    """Photos are told apart by their place: what is wrong with one may name another."""
    numbered = sorted(((one.name, k) for k, one in enumerate(result.photos, 1) if one.name), key=lambda x: -len(x[0]))

    def plain(words: str) -> str:
        for name, k in numbered:
            words = words.replace(name, f"photo {k}")
        return words

    photos = tuple(
        one.model_copy(
            update={
                "name": "",
                "problems": tuple(p.model_copy(update={"text": plain(p.text)}) for p in one.problems),
            }
        )
        for one in result.photos
    )
    return result.model_copy(update={"photo": result.photo.model_copy(update={"name": ""}), "photos": photos})


def whole_result(stored: str, personal: Mapping[str, str | None]) -> Result:
    """The result with its texts put back, but for those that were erased."""
    apart = [value for field, value in personal.items() if field.startswith("result ") and value]
    if not apart:
        return Result.model_validate_json(stored)
    document = json.loads(stored)
    for one in apart:
        path, words = json.loads(one)
        _put(document, path, words)
    return Result.model_validate_json(_text(document))


def _text(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))


def _authors(value: object) -> Iterator[str]:
    """Who took readings and looks, wherever it stands in a document."""
    if isinstance(value, dict):
        by = value.get("by")
        if isinstance(by, str) and re.search(r"[^\W_]", by):
            yield by
        for one in value.values():
            yield from _authors(one)
    elif isinstance(value, list):
        for one in value:
            yield from _authors(one)


def texts_of(value: object, path: tuple[str | int, ...] = ()) -> Iterator[tuple[list[str | int], str]]:
    """Every text of a JSON value, with the path of keys and places to it."""
    if isinstance(value, str):
        yield list(path), value
    elif isinstance(value, dict):
        for key, one in value.items():
            yield from texts_of(one, (*path, key))
    elif isinstance(value, list) and not (value and isinstance(value[0], int | float)):
        for key, one in enumerate(value):
            yield from texts_of(one, (*path, key))


def _put(document: Any, path: list[str | int], words: str) -> None:
    for step in path[:-1]:
        document = document[step]
    document[path[-1]] = words
