"""What would settle a judgement, told as a short list: photo first, then settings, then the eye, then gauges."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import Literal

from toeline.evidence.gauge import gauges
from toeline.result import Ask
from toeline.units import Unit, length


class Step(IntEnum):
    """In which order needs are told."""

    PHOTO = 0
    SETTING = 1
    EYE = 2
    GAUGE = 3


@dataclass(frozen=True, slots=True)
class Need:
    """One thing that would settle a line: a sentence, or a reading or statement by ``name`` at ``places`` (mm).

    ``setting`` is the keyword of the setting that a sentence asks for, ``condition`` the name of a condition;
    ``by_photos``: a relief would settle it as well.
    """

    step: Step
    text: str = ""
    name: str | None = None
    places: tuple[float, ...] = ()
    setting: str | None = None
    condition: str | None = None
    by_photos: bool = False


def told(needs: Sequence[Need], unit: Unit) -> tuple[str, ...]:
    """The needs as sentences, each once."""
    plain = sorted((need for need in needs if need.text), key=lambda need: need.step)
    named: dict[str, dict[float, None]] = {}
    for need in sorted((need for need in needs if need.name), key=lambda need: need.step):
        named.setdefault(need.name or "", {}).update(dict.fromkeys(need.places))
    known = gauges()
    statements = [name for name in named if known[name].statement and not known[name].permission]
    texts = [need.text for need in plain]
    texts += _look([name for name in statements if not named[name]])
    for name in statements:
        if named[name]:
            first = next(iter(named[name]))
            texts.append(
                f"Look{_at(named[name], unit)} for {_words(name)}; state what is there "
                f"({name}=none@{length(first, unit).replace(' ', '')} and so on for none there)."
            )
    for name, spots in named.items():
        if known[name].permission:
            texts.append(f"Answer ({name}=yes or =no): {known[name].question}")
        elif not known[name].statement:
            where = f"{_at(spots, unit)}, and give the worst along the weld without a place" if spots else ""
            texts.append(f"Gauge {name}{where}: {known[name].meaning}.")
    return tuple(dict.fromkeys(texts))


def asks(needs: Sequence[Need]) -> tuple[Ask, ...]:
    """The needs one by one, each once, in the order in which they are told."""
    ordered = sorted(needs, key=lambda need: need.step)
    found: dict[str, Ask] = {}
    for need in ordered:
        key = need.name or need.text
        before = found.get(key)
        places = dict.fromkeys((*(before.places if before else ()), *need.places))
        by_photos = need.by_photos and (before is None or before.by_photos)
        name = need.name or need.setting or need.condition
        found[key] = Ask(kind=_kind(need), text=need.text, name=name, places=tuple(places), by_photos=by_photos)
    return tuple(found.values())


def _kind(need: Need) -> Literal["photo", "setting", "condition", "look", "gauge"]:
    if need.name:
        return "look" if gauges()[need.name].statement else "gauge"
    if need.condition:
        return "condition"
    return "photo" if need.step is Step.PHOTO else "setting"


def spoken(need: str) -> str:
    """A need without the command line's own words, for a page or a report."""
    need = re.sub(r" \(\w+=\w+[^)]*\)", "", need)
    return re.sub(r"\b[a-z]+(_[a-z]+)+\b", lambda name: _words(name[0]) if name[0] in gauges() else name[0], need)


def _look(names: Sequence[str]) -> list[str]:
    """One look along the whole weld for all that an eye settles."""
    if not names:
        return []
    listed = ", ".join(_words(name) for name in names)
    said = " and ".join(f"{name}=none" for name in names[:2])
    return [f"Look along the whole weld, with a lens, for {listed}; state each by itself ({said} for none, and so on)."]


def _words(name: str) -> str:
    return name.replace("_", " ")


def _at(places: Iterable[float], unit: Unit) -> str:
    listed = [length(place, unit) for place in places]
    if not listed:
        return ""
    more = f" and {len(listed) - 5} more places" if len(listed) > 5 else ""
    return f" at {', '.join(listed[:5])}{more}"
