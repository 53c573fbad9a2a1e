"""The registry of measures: what is computed stands in it, and what people read derives from it."""

from __future__ import annotations

import re
from pathlib import Path

import invented
from toeline.coupons import rubric
from toeline.measures.registry import MEASURES, ids, title_of, unknown_of
from toeline.pipeline import measure

ROOT = Path(__file__).resolve().parents[1]


def test_every_entry_says_what_it_is():
    for one in MEASURES.values():
        assert one.title, one.id
        assert one.definition.endswith("."), one.id
        assert one.source, one.id
        assert one.joints, one.id
        assert one.unit in ("mm", "deg", "1"), one.id
        assert not one.ratio or one.unit == "1", one.id


def test_titles_tell_measures_apart():
    titles = [one.title for one in MEASURES.values()]
    assert len(titles) == len(set(titles))


def test_a_measured_photo_holds_the_registry_and_nothing_else():
    plain = measure(ROOT / "demo_images" / "good_stringer.jpg").measures
    assert set(plain) == set(ids(["length", "body", "start", "ripples", "counts"]))
    fillet = measure(ROOT / "demo_images" / "good_fillet.jpg", joint="fillet", size=6).measures
    assert set(fillet) == set(MEASURES) - set(ids(["relief"]))  # that takes several photos
    for name, quantity in (plain | fillet).items():
        assert quantity.unit == MEASURES[name].unit, name


def test_an_unknown_measure_keeps_its_unit_and_says_why():
    gone = unknown_of(["legs"], "no card")
    assert set(gone) == set(ids(["legs"]))
    assert all(q.value is None and q.why == "no card" and q.unit == MEASURES[n].unit for n, q in gone.items())


def test_a_rubric_knows_what_may_be_scored():
    assert set(rubric.MEASURES) == {name for name, one in MEASURES.items() if one.scorable}
    assert "leg_base_min" in rubric.MEASURES
    assert "throat_min_at" not in rubric.MEASURES


def test_a_name_of_another_version_is_still_shown():
    assert title_of("width_mean") == "Width, mean"
    assert title_of("some_new_thing") == "Some new thing"


def test_no_module_names_titles_again():
    """A title stands in the registry alone."""
    sources = [p for d in ("inspect", "app") for p in (ROOT / d).rglob("*.py") if p.name != "registry.py"]
    said = re.compile("|".join(re.escape(f'"{one.title}"') for one in MEASURES.values() if " " in one.title))
    assert not [str(p) for p in sources if said.search(p.read_text("utf-8"))]


def test_the_invented_results_use_known_names():
    assert set(invented.result().measures) <= set(MEASURES)
