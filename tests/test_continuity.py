"""What a welder keeps up, by process and position, and when it lapses."""

from __future__ import annotations

from datetime import date

import pytest

import invented
from toeline.errors import RecordError
from toeline.record import Identity, NewDecision, Store
from toeline.record.continuity import months_after
from toeline.result import Welding


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "record.sqlite") as opened:
        yield opened


def weld(store, seed, day, welder="Ada Brandt", slope=None, rotation=None, position=None, decision=None, joint="butt"):
    plain = invented.result(seed)
    welding = Welding(slope_deg=slope, rotation_deg=rotation)
    settings = plain.settings.model_copy(update={"welding": welding, "joint": joint})
    identity = Identity(welder=welder, date=day, position=position)
    result = plain.model_copy(update={"settings": settings})
    return store.save_inspection(result, invented.photo_bytes(seed), identity, decision=decision)


@pytest.mark.parametrize(
    ("day", "later"),
    [  # by hand, from the calendar
        (date(2026, 3, 14), date(2026, 9, 14)),
        (date(2026, 8, 31), date(2027, 2, 28)),
        (date(2027, 8, 31), date(2028, 2, 29)),
        (date(2026, 6, 30), date(2026, 12, 30)),
        (date(2026, 7, 1), date(2027, 1, 1)),
    ],
)
def test_six_months_end_on_the_same_day_or_that_month_s_last(day, later):
    assert months_after(day, 6) == later


def test_each_position_has_its_last_day_and_the_process_the_last_of_all(store):
    accept = NewDecision(decision="accept", by="Noor Holm", reason="looked at")
    weld(store, 0, "2026-01-10", slope=0, rotation=0, decision=accept)
    weld(store, 1, "2026-05-02", slope=0, rotation=90)
    weld(store, 2, "2026-02-01", slope=0, rotation=0)
    weld(store, 3, "2026-04-01", position="PF")
    weld(store, 4, "2026-03-01")
    kept = {one.position: one for one in store.continuity(date(2026, 8, 2))}
    assert {place: (one.last.isoformat(), one.state) for place, one in kept.items()} == {
        None: ("2026-05-02", "in force"),
        "flat": ("2026-02-01", "lapsed"),
        "horizontal": ("2026-05-02", "in force"),
        "vertical up": ("2026-04-01", "in force"),
        "": ("2026-03-01", "soon"),
    }
    assert kept["flat"].accepted == date(2026, 1, 10)
    assert kept["flat"].what == "stick welding (process 111), flat"
    assert kept["horizontal"].accepted is None
    assert kept["flat"].lapses == date(2026, 8, 1)


def test_a_position_that_was_never_said_is_no_second_line(store):
    weld(store, 0, "2026-03-01")
    (only,) = store.continuity(date(2026, 8, 2))
    assert only.what == "stick welding (process 111), any position"


@pytest.mark.parametrize(
    ("on", "state"), [("2026-07-08", "in force"), ("2026-08-08", "soon"), ("2026-08-09", "lapsed")]
)
def test_it_holds_up_to_the_day_and_is_called_for_before(store, on, state):
    weld(store, 0, "2026-02-08")
    assert {one.state for one in store.continuity(date.fromisoformat(on))} == {state}


def test_the_day_of_welding_counts_where_it_was_said_and_not_that_of_a_late_inspection(store):
    welded = Identity(welder="Ada Brandt", date="2026-05-02", welded_on="2026-01-10")
    store.save_inspection(invented.result(0), invented.photo_bytes(0), welded)
    (any_position,) = store.continuity(date(2026, 6, 1))
    assert (any_position.last, any_position.last_is) == (date(2026, 1, 10), "welded")
    weld(store, 1, "2026-02-01")
    (any_position,) = store.continuity(date(2026, 6, 1))
    assert (any_position.last, any_position.last_is) == (date(2026, 2, 1), "inspected")
    assert store.check().ok


def test_a_weld_is_not_inspected_before_it_is_welded(store):
    never = Identity(welder="Ada Brandt", date="2026-05-02", welded_on="2026-05-03")
    with pytest.raises(RecordError, match="after the day of the inspection"):
        store.save_inspection(invented.result(0), invented.photo_bytes(0), never)


def test_what_does_not_count(store):
    first = weld(store, 0, "2026-05-01", slope=0, rotation=0)
    weld(store, 1, "2026-06-01", welder=None)
    weld(store, 2, "2026-12-24", slope=0, rotation=180)
    assert [one.position for one in store.continuity(date(2026, 7, 1))] == [None, "flat"]
    identity = Identity(welder="ADA BRANDT", date="2026-05-03")
    store.supersede(first.id, invented.result(3), invented.photo_bytes(3), identity, why="another day")
    kept = store.continuity(date(2026, 7, 1), welder="ada brandt")
    assert {one.last for one in kept} == {date(2026, 5, 3)}
    store.erase_person("Ada Brandt")
    assert store.continuity(date(2026, 7, 1)) == ()
