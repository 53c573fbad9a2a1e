"""The key of the overlay picture: every indication numbered, those that come in crowds under one number."""

from __future__ import annotations

from dataclasses import dataclass

from toeline.evidence.evidence import Evidence, Seen, uncounted
from toeline.measures.figures import IndicationFigures
from toeline.names import INDICATIONS
from toeline.result import Indication, Result
from toeline.units import Unit, convert, figure, say

#: Kinds that come in crowds: all of one kind share a number.
CROWDS = ("spatter", "pore")
_SUREST_FIRST: tuple[Seen, ...] = ("stated", "read", "perhaps", "denied")
#: Said wherever something is marked that may be otherwise.
UNSURE = "A question mark: it may be that or something else. Look there yourself."


@dataclass(frozen=True, slots=True)
class Keyed:
    """One numbered entry of the key: an indication, or all of a kind that comes in crowds."""

    number: int
    title: str
    detail: str
    members: tuple[Indication, ...]
    seen: Seen

    @property
    def perhaps(self) -> bool:
        """Whether it may be something else, so that a person has to look."""
        return self.seen == "perhaps"

    @property
    def sure(self) -> bool:
        """Whether it was surely read, or stated by a person."""
        return self.seen in ("read", "stated")

    @property
    def label(self) -> str:
        """The number as it is drawn: with a question mark where it may be something else."""
        return f"{self.number}?" if self.perhaps else str(self.number)

    @property
    def sureness(self) -> str:
        """How sure it is, in words."""
        if self.seen == "read":
            return f"{100 * max(one.confidence for one in self.members):.0f} %"
        return {"perhaps": "look there", "denied": "none, by a person's look"}.get(self.seen, "stated by a person")


def keyed_indications(result: Result, unit: Unit = "mm") -> tuple[Keyed, ...]:
    """The indications numbered from 1 as on the picture: along the seam, then the crowds, largest member first."""
    single = [one for one in result.indications if one.kind not in CROWDS]
    single.sort(key=lambda one: one.from_ if one.from_ is not None else float("inf"))
    crowds = (tuple(one for one in result.indications if one.kind == kind) for kind in CROWDS)
    groups: list[tuple[Indication, ...]] = [(one,) for one in single]
    groups += [tuple(sorted(crowd, key=_size, reverse=True)) for crowd in crowds if crowd]
    evidence = Evidence(result)
    keyed = []
    for number, members in enumerate(groups, 1):
        how = {evidence.how_seen(one) for one in members}
        seen = next(one for one in _SUREST_FIRST if one in how)
        title = _title(members, seen)
        keyed.append(Keyed(number, title, _detail(members, seen, unit), members, seen))
    return tuple(keyed)


def _size(one: Indication) -> float:
    return one.size.value if one.size is not None and one.size.value is not None else 0.0


def _title(members: tuple[Indication, ...], seen: Seen) -> str:
    first = members[0]
    word = {"perhaps": "Perhaps ", "denied": "Looked at, not so: "}.get(seen, "")
    name = f"{word}{INDICATIONS[first.kind].lower()}" if word else INDICATIONS[first.kind]
    if first.kind in CROWDS:
        many = len(members) - _uncounted(members)
        return f"{name} × {many}" if many and len(members) > 1 else name
    side = f", {first.side} toe" if first.side else ""
    return f"{name}{side}{f' ({first.plate} plate)' if first.plate else ''}"


def _uncounted(members: tuple[Indication, ...]) -> int:
    return sum(map(uncounted, members))


def _detail(members: tuple[Indication, ...], seen: Seen, unit: Unit) -> str:
    first = members[0]
    parts = []
    if first.kind not in CROWDS and first.from_ is not None and first.to is not None:
        start, said = convert(first.from_, "mm", unit)
        end, _ = convert(first.to, "mm", unit)
        places = 2 if unit == "in" else 0
        parts.append(f"{start:.{places}f} to {end:.{places}f} {said}")
    if first.size is not None and first.size.known and seen != "denied":
        word = "largest " if len(members) > 1 else ""
        parts.append(f"{word}{say(first.size, unit)}" + (" wide" if first.kind == "undercut" else ""))
    if small := _uncounted(members):
        least = figure(IndicationFigures.read().spatter.counted, unit)
        parts.append(f"{small}{' more' if small < len(members) else ''} under {least}, not counted")
    return ", ".join(parts)
