"""A class on record: each coupon under its learner's name, and a learner's last bead held against the new one."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from toeline.coupons.coupons import ClassScores, Coupon
from toeline.coupons.progress import Progress, compare
from toeline.coupons.rubric import Rubric
from toeline.criteria import load_criteria
from toeline.record import Filters, Identity, Inspection, Store, Summary
from toeline.result import PhotoInfo, Result

#: Gives a photo's own bytes.
Read = Callable[[], bytes]

#: A learner's beads that are looked through for the last one of the same kind.
_LOOKED_THROUGH = 100


@dataclass(frozen=True, slots=True)
class PutOnRecord:
    """Whose coupons were put on record now, whose photo lay there already, and who was left out: a photo that cannot be
    used, or that the roster names nobody for."""

    saved: tuple[str, ...]
    there_already: tuple[str, ...]
    left_out: tuple[str, ...]


def put_on_record(
    store: Store, scores: ClassScores, photos: Mapping[str, Read], *, class_name: str, date: datetime.date
) -> PutOnRecord:
    """Save each coupon that can be used as an inspection of its learner on that day; a photo is saved once.

    ``photos`` give the photos' own bytes by name, of those from the sides that told height as well: one coupon's are
    held at a time. Raises RecordError.
    """
    saved, there, left_out = [], [], []
    for one in scores.coupons:
        if one.result is None or one.result.stopped or one.photo not in photos or one.photo in scores.unnamed:
            left_out.append(one.name)
        elif any(seen.photo_sha256 == one.result.photo.sha256 for seen in _of(store, one.name)):
            there.append(one.name)
        else:
            identity = Identity(job=class_name, welder=one.name, date=date, welded_on=date)
            store.save_inspection(
                one.result,
                photos[one.photo](),
                identity,
                more_photos=[(side.name, photos[side.name]()) for side in sides_of(one) if side.name in photos],
                remarks=_points(one, scores),
                criteria=_criteria(one.result),
            )
            saved.append(one.name)
    return PutOnRecord(tuple(saved), tuple(there), tuple(left_out))


def sides_of(coupon: Coupon) -> list[PhotoInfo]:
    """The photos from its sides that told a coupon's height."""
    return [] if coupon.result is None else [one for one in coupon.result.photos[1:] if one.usable]


def since_last(store: Store, scores: ClassScores) -> dict[str, tuple[str, Progress]]:
    """By photo, what moved since its learner's last bead, as :func:`since`; a coupon without one is left out."""
    found = ((one.photo, since(store, one, scores.rubric)) for one in scores.coupons)
    return {photo: told for photo, told in found if told is not None}


def since(store: Store, coupon: Coupon, rubric: Rubric) -> tuple[str, Progress] | None:
    """The day of a learner's last bead of this joint and rod on record, and what moved since; None without one."""
    if coupon.result is None or coupon.result.stopped:
        return None
    last = last_bead(store, coupon.name, coupon.result)
    return None if last is None else (day_of(last), compare(last.result, coupon.result, rubric))


def last_bead(store: Store, name: str, result: Result) -> Inspection | None:
    """The last bead of a learner on record that is another photo, of the same joint and rod."""
    for seen in _of(store, name):
        if seen.photo_sha256 != result.photo.sha256:
            found = store.get(seen.id)
            if not found.result.stopped and kind_of(found.result) == kind_of(result):
                return found
    return None


def kind_of(result: Result) -> tuple[str, float | None]:
    """Beads of one joint and one rod are held against each other; a rod that was not said is a kind of its own."""
    return result.settings.joint, result.settings.welding.electrode_mm


def day_of(inspection: Inspection) -> str:
    """The day that an inspection is of, as it is written."""
    date = inspection.identity.date
    return date.isoformat() if date else inspection.created_at[:10]


def _of(store: Store, name: str) -> tuple[Summary, ...]:
    """The inspections of a learner, the newest first."""
    return store.search("", Filters(welder=name), sort="date", descending=True, page=1, size=_LOOKED_THROUGH).items


def _points(one: Coupon, scores: ClassScores) -> str | None:
    if one.score is None or one.points is None:
        return None
    points = f"{one.points:.0f} ± {one.score.U:.0f} of {scores.rubric.points:g} points"
    return f"{scores.rubric.title}: {points}, {one.outcome}."


def _criteria(result: Result) -> str | None:
    if result.judgement is None or result.settings.criteria is None:
        return None
    return load_criteria(result.settings.criteria).model_dump_json(indent=1)
