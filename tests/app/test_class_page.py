"""The instructor's pages run by Streamlit's own AppTest, on beads that are measured already."""

from __future__ import annotations

import hashlib

import pytest
from streamlit.testing.v1 import AppTest

from invented import photo_bytes
from test_progress import BEFORE, after, photographed
from test_score import coached, result
from toeline.measures.registry import MEASURES, title_of
from toeline.record import Identity
from toeline.result import Indication, Quantity, Settings
from toeline_app import photos
from toeline_app.photos import Photo, Shown
from toeline_app.prefs import Preferences
from toeline_app.service import recording, retention, scoring

UNEVEN = {"width_variation": Quantity(value=0.2, U=0.01, unit="1"), "width_sd": Quantity(value=1.6, U=0.1)}
DOUBTED = {"undercut_length_total": Quantity(value=5.0, U=30.0)}


@pytest.fixture(autouse=True)
def own_record(tmp_path, monkeypatch):
    monkeypatch.setenv("TOELINE_STORE", str(tmp_path / "record.sqlite"))
    recording.store.clear()
    yield
    recording.store().close()
    recording.store.clear()


def bare(bead):
    """A bead as a class's photos are measured: rod, criteria and looks come in afterwards."""
    return coached(bead.model_copy(update={"settings": Settings()}))


def a_class(name: str, beads, **preferences) -> AppTest:
    """A page with a class of measured photos, by their names; not run yet."""
    app = AppTest.from_string(f"from toeline_app.views import {name}\n{name}.page()", default_timeout=300)
    app.session_state["preferences"] = Preferences(**preferences)
    held, known = [], {}
    for number, (file, bead) in enumerate(beads.items()):
        photo = Photo(file, retention.uploads().folder("x") / f"{number:064x}")
        held.append(photo)
        known[photos._key(photo, Settings())] = Shown(photo, bare(bead))
    app.session_state["held_photos"] = {"coupons_photos": held}
    app.session_state["examined"] = known
    return app


CLASS = {"ada.jpg": result(**DOUBTED), "bo.jpg": result(**DOUBTED, **UNEVEN), "cy.jpg": result(**DOUBTED)}


def tables(app: AppTest) -> str:
    return "\n".join(one.proto.body for one in app.get("html")).replace("\u2060", "")  # what keeps a day whole


def button(app: AppTest, label: str):
    return next(one for one in app.button if one.label == label)


def test_a_class_has_points_at_the_first_go_and_is_asked_for_its_rods():
    app = a_class("coupons", CLASS).run()
    assert not app.exception
    assert tables(app).count("100 ± ") >= 2
    assert any("say its core diameter" in one.value for one in app.info)
    assert "Give the core diameter" not in tables(app)  # the look for undercut would settle more
    app.selectbox(key="class_electrode").set_value(3.2).run()
    assert app.session_state["preferences"].electrode_mm == 3.2
    assert not app.info


def test_pass_mark_and_weights_are_set_in_a_form_and_written_into_the_rubric():
    app = a_class("coupons", CLASS, electrode_mm=3.2).run()
    fields = {one.label: one for one in app.number_input}
    fields["Pass mark, percent of all points"].set_value(60.0)
    fields["Even width, points"].set_value(0.0)
    button(app, "Use these marks").click().run()
    assert not app.exception
    assert any("First beads: 75 points, pass mark 45 (60%)" in one.value for one in app.text)
    assert "75 ± " in tables(app)
    for field in app.number_input:
        if field.label.endswith(", points"):
            field.set_value(0.0)
    button(app, "Use these marks").click().run()
    assert [one.value for one in app.error] == ["Give at least one thing points, or nothing can be scored\\."]
    button(app, "Back to the rubric as shipped").click().run()
    assert any("First beads: 100 points, pass mark 70 (70%)" in one.value for one in app.text)


def test_the_look_that_settles_most_is_answered_on_the_page_and_can_be_taken_back():
    hollow = {"ada.jpg": result(**DOUBTED, indications=(Indication(kind="crater_unfilled", confidence=0.9),))}
    app = a_class("coupons", hollow, electrode_mm=3.2).run()
    assert "is a crater not filled" in tables(app)
    app.radio[-1].set_value("No")
    button(app, "Record what I saw").click().run()
    assert "Say who looked" in app.error[0].value
    next(one for one in app.text_input if "looked" in one.label).set_value("N. Holm").run()
    app.radio[-1].set_value("No")
    button(app, "Record what I saw").click().run()
    assert not app.exception
    assert "is there undercut along either toe?" in tables(app)
    next(one for one in app.button if one.label.startswith("Remove")).click().run()
    assert "is a crater not filled" in tables(app)


def test_a_look_in_a_class_speaks_for_the_places_that_the_photo_marks():
    hollow = Indication(kind="crater_unfilled", confidence=0.9, **{"from": 90.0, "to": 96.0})
    app = a_class("coupons", {"ada.jpg": result(**DOUBTED, indications=(hollow,))}, electrode_mm=3.2).run()
    assert "may show this at 93 mm: look there too" in app.radio[-1].label
    next(one for one in app.text_input if "looked" in one.label).set_value("N. Holm").run()
    app.radio[-1].set_value("No")
    button(app, "Record what I saw").click().run()
    assert not app.exception
    (answers,) = (about.gauge for about in app.session_state["said"].about.values())
    assert [(one.name, one.value, one.at) for one in answers] == [("craters", 0.0, None), ("craters", 0.0, 93.0)]
    (removing,) = (one for one in app.button if one.label.startswith("Remove"))
    removing.click().run()
    assert not any(one.label.startswith("Remove") for one in app.button)


def on_record(bead, seed: int, name: str, day: str):
    """A bead on record; nothing is measured."""
    data = photo_bytes(seed)
    photo = bead.photo.model_copy(update={"sha256": hashlib.sha256(data).hexdigest()})
    identity = Identity(job="Evening class", welder=name, date=day)
    return recording.store().save_inspection(bead.model_copy(update={"photo": photo}), data, identity)


def test_two_beads_on_record_are_held_against_each_other():
    on_record(BEFORE, 1, "Una", "2026-03-14")
    on_record(after(5.0, 2.0), 2, "Una", "2026-03-21")
    app = a_class("progress", {})
    app.run()
    app.radio[0].set_value("record").run()
    app.selectbox[0].set_value("Una").run()
    assert not app.exception
    said = tables(app)
    for words in (
        "Shorten the arc",
        "One arc length",
        "What it aimed at: moved the right way",
        "Spatter in 100 mm: 40 ± 6 before",
        "reached",
    ):
        assert words in said, words
    app.selectbox(key="before_Una").set_value(0).run()
    assert any("two different beads" in one.value for one in app.info)


def test_trends_show_one_joint_and_rod_at_a_time_by_day_with_every_measure():
    for seed, rod in enumerate((3.2, 3.2, 4.0)):
        bead = coached(result(electrode=rod))
        on_record(bead, seed, "Una", f"2026-03-1{seed}")
    app = a_class("trends", {}).run()
    assert not app.exception
    assert sum("Entry " in one.label for one in app.button) == 2  # the rod of 3.2 mm, the most frequent
    (chart,) = app.get("vega_lite_chart")
    assert '"timeUnit"' in chart.proto.spec or '"temporal"' in chart.proto.spec
    app.selectbox(key="trend_rod_bead").set_value(1).run()
    assert sum("Entry " in one.label for one in app.button) == 1
    choices = app.selectbox(key="trend_of_bead").options
    assert {title_of(name) for name, one in MEASURES.items() if "bead" in one.joints} <= set(choices)


def test_a_class_is_put_on_record_and_a_sheet_says_what_moved_since():
    on_record(BEFORE, 1, "una", "2026-03-14")
    bead, data = photographed(after(5.0, 2.0), 7)
    app = a_class("coupons", {"una.jpg": bead}, electrode_mm=3.2)
    (photo,) = app.session_state["held_photos"]["coupons_photos"]
    photo.path.write_bytes(data)
    app.run()
    assert "Last time, 2026-03-14" in tables(app)
    assert "moved the right way" in tables(app)
    button(app, "Put the class on record").click().run()
    assert any("Say which class" in one.value for one in app.error)
    next(one for one in app.text_input if one.label == "Class").set_value("Evening class 12")
    button(app, "Put the class on record").click().run()
    assert not app.exception
    assert any("1 coupon is put on record" in one.value for one in app.success)
    app.run()  # a page drawn anew says so still
    assert any("1 coupon is put on record" in one.value for one in app.success)
    assert [title.split(", ")[-1] for _, title in scoring.beads_of("una")] == ["Evening class 12", "Evening class"]


SIX = {f"c{n}.jpg": result(**({} if n % 2 else UNEVEN)) for n in range(6)}


def test_two_raters_marks_are_entered_and_compared():
    app = a_class("agreement", SIX, electrode_mm=3.2).run()
    assert not app.exception
    fields = {one.label: one for one in app.text_input}
    fields["First rater"].set_value("Una")
    fields["Second rater"].set_value("Bo")
    for n in range(6):
        app.radio(key=f"mark_first_c{n}").set_value("pass" if n % 2 else "fail")
        app.radio(key=f"mark_second_c{n}").set_value("pass" if n % 2 or n == 4 else "fail")
    button(app, "How far do they agree?").click().run()
    assert not app.exception
    said = tables(app)
    # by hand: 5 of 6 alike; by chance 3/6 * 4/6 + 3/6 * 2/6 = 0.5, so kappa is (5/6 - 1/2) / (1 - 1/2) = 0.67
    assert "5 of 6 coupons" in said
    assert "0.67" in said
    assert "substantial" in said
    assert "c4" in said


def test_toeline_is_a_rater_by_its_own_points():
    app = a_class("agreement", SIX, electrode_mm=3.2).run()
    app.toggle(key="marks_tool").set_value(True).run()
    app.radio[0].set_value("points").run()
    next(one for one in app.text_input if one.label == "First rater").set_value("Una")
    for n in range(6):
        app.number_input(key=f"points_first_c{n}").set_value(90.0 if n % 2 else 70.0)
    button(app, "How far do they agree?").click().run()
    assert not app.exception
    assert any("Una and toeline" in one.value for one in app.subheader)
    assert "Kappa" in tables(app)


def test_raters_without_names_are_refused():
    app = a_class("agreement", SIX, electrode_mm=3.2).run()
    button(app, "How far do they agree?").click().run()
    assert any("Name both raters" in one.value for one in app.error)
    empty = a_class("agreement", {}).run()
    assert any("At least 5 coupons" in one.value for one in empty.info)


def test_a_wall_chart_is_offered_with_the_likeliest_bead_for_each_trouble():
    app = a_class("coupons", {"una.jpg": BEFORE, "bo.jpg": result()}, electrode_mm=3.2).run()
    assert not app.exception
    options = app.selectbox(key="chart_arc_too_long").options
    assert options[0] == "Not on the chart"
    assert {"una", "bo"} <= set(options)
