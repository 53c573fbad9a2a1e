"""Pages run by Streamlit's own AppTest, on results and records that need no photo measured."""

from __future__ import annotations

import json
import re

import pytest
from streamlit.testing.v1 import AppTest

from invented import IDENTITY, photo_bytes, result
from toeline.batch import KeptMeasurements
from toeline.causes import rank_causes
from toeline.causes.chart import chart
from toeline.evidence.gauge import gauges
from toeline.problems import problem
from toeline.record import Identity, NewDecision
from toeline.result import Welding
from toeline.settings import settings_from
from toeline_app import coach, components, photos, ui
from toeline_app.prefs import Preferences, read_cookie, write_cookie
from toeline_app.said import AboutPhoto
from toeline_app.service import measuring, readings, recording, retention
from toeline_app.uploads import Uploads
from toeline_app.views.bench import to_settings


def run(name: str) -> AppTest:
    """One page by itself."""
    return page(name).run()


def page(name: str) -> AppTest:
    """One page, not run yet; there is no browser to bring a cookie."""
    app = AppTest.from_string(f"from toeline_app.views import {name}\n{name}.page()", default_timeout=300)
    app.session_state["preferences"] = Preferences()
    return app


@pytest.fixture(autouse=True)
def own_record(tmp_path, monkeypatch):
    monkeypatch.setenv("TOELINE_STORE", str(tmp_path / "record.sqlite"))
    recording.store.clear()
    recording.recorded_picture.clear()
    yield
    recording.store().close()
    recording.store.clear()


def test_every_page_runs_without_a_word_of_error():
    for name in ("record", "continuity", "procedures", "trends", "person", "repeat", "cards", "phone", "about"):
        app = run(name)
        assert not app.exception, name
        assert app.title, name


def test_settings_become_what_is_measured_with():
    asked = Preferences(joint="fillet", thickness_mm=6.0, electrode_mm=3.2, check_line_mm=49.8, unit="in")
    settings = to_settings(asked)
    assert (settings.joint, settings.thickness_mm, settings.check_line_mm) == ("fillet", 6.0, 49.8)
    assert (settings.welding.electrode_mm, settings.unit) == (3.2, "in")
    by_throat = to_settings(Preferences(joint="fillet", drawing_size_mm=4.0, drawing_size_is="throat"))
    assert (by_throat.drawing_size_mm, by_throat.drawing_size_is) == (4.0, "throat")


def fillet(**said):
    """An invented fillet with legs of 6 and 7 mm along its body."""
    found = result()
    n = len(found.bead.s)
    along = {name: (None, *((mm,) * (n - 2)), None) for name, mm in FILLET.items()}
    settings = found.settings.model_copy(update={"joint": "fillet", **said})
    return found.model_copy(update={"bead": found.bead.model_copy(update=along), "settings": settings})


FILLET = {"leg_base": 6.0, "leg_upright": 7.0, "throat": 4.56, "throat_U": 0.2}


@pytest.mark.parametrize(
    ("said", "lines", "words"),
    [
        ({}, {"Leg, base plate", "Leg, upright"}, ""),
        ({"drawing_size_mm": 6.5}, {"Leg, base plate", "Leg, upright", "Drawing"}, "a leg of 6.5 mm"),
        (
            {"drawing_size_mm": 4.0, "drawing_size_is": "throat"},
            {"Leg, base plate", "Leg, upright", "Throat", "Drawing"},
            "a throat of 4.0 mm",
        ),
    ],
)
def test_a_fillets_legs_are_drawn_along_the_weld(said, lines, words):
    saved = recording.store().save_inspection(fillet(**said), photo_bytes(), IDENTITY)
    app = opened(saved.id)
    assert not app.exception
    (chart,) = app.get("vega_lite_chart")
    assert set(json.loads(chart.proto.spec)["encoding"]["color"]["scale"]["domain"]) == lines
    assert any("Both ends are left out" in text.value and words in text.value for text in app.text)


def test_a_bead_without_legs_has_no_such_chart():
    saved = recording.store().save_inspection(result(), photo_bytes(), IDENTITY)
    app = opened(saved.id)
    assert not app.get("vega_lite_chart")


@pytest.mark.parametrize(
    ("problems", "usable", "says"),
    [
        ((), True, "undecided"),
        ((problem("tilt", deg=14),), True, "undecided"),
        ((problem("blur_strong"),), False, "retake"),
        ((problem("several_beads", n=2),), False, "which"),
        ((problem("several_beads", n=2), problem("blur_strong")), False, "retake"),
    ],
)
def test_a_bad_photo_is_never_shown_with_an_outcome(problems, usable, says):
    found = result()
    shown = found.model_copy(update={"photo": found.photo.model_copy(update={"problems": problems, "usable": usable})})
    assert components.outcome(shown) == says
    assert says in ui.OUTCOMES


def test_an_inspection_is_opened_decided_on_and_needs_a_reason():
    saved = recording.store().save_inspection(result(), photo_bytes(), IDENTITY)
    app = page("record")
    app.query_params["inspection"] = saved.id
    app.run()
    assert not app.exception
    app.radio[0].set_value("accept")
    next(button for button in app.button if button.label == "Record the decision").click().run()
    assert any("say why" in one.value for one in app.error)
    app.radio[0].set_value("accept")
    next(area for area in app.text_area if "Reason" in area.label).set_value("Gauged: 0.2 mm.")
    next(button for button in app.button if button.label == "Record the decision").click().run()
    assert [one.decision for one in recording.inspection(saved.id).decisions] == ["accept"]


def button(app: AppTest, label: str):
    """The button of that label."""
    return next(one for one in app.button if one.label == label)


def opened(inspection: str) -> AppTest:
    """The record's page, showing one inspection."""
    app = page("record")
    app.query_params["inspection"] = inspection
    return app.run()


def test_a_wrong_inspection_is_superseded_and_each_leads_to_the_other():
    old = recording.store().save_inspection(
        result(), photo_bytes(), IDENTITY, more_photos=[("gauge.jpg", photo_bytes(5))], remarks="Preheated."
    )
    app = opened(old.id)
    next(field for field in app.text_input if field.label == "Part").set_value("Plate 4")
    button(app, "Look it over and save").click().run()
    button(app, "Save the inspection").click().run()
    assert any("Say why" in one.value for one in app.error)
    assert recording.inspection(old.id).superseded_by is None
    next(area for area in app.text_area if "earlier one" in area.label).set_value("Wrong plate was written down.")
    button(app, "Save the inspection").click().run()
    assert not app.exception
    new = recording.inspection(recording.inspection(old.id).superseded_by)
    assert (new.identity.part, new.identity.weld, new.remarks) == ("Plate 4", IDENTITY.weld, "Preheated.")
    assert new.result == old.result
    assert [one.name for one in new.photos] == ["ada_brandt_3.jpg", "gauge.jpg"]
    assert app.query_params["inspection"] == new.id
    assert any("Wrong plate was written down." in one.value for one in app.text)
    button(app, "Open the earlier one").click().run()
    assert any(f"SUPERSEDED by entry {new.number}" in one.value for one in app.warning)
    assert not any(one.label == "Look it over and save" for one in app.button)  # it is superseded once only
    button(app, "Open the one in its place").click().run()
    assert app.query_params["inspection"] == new.id


def test_an_inspection_in_the_address_gives_way_to_the_one_opened():
    old = recording.store().save_inspection(result(), photo_bytes(), IDENTITY)
    new = recording.store().supersede(old.id, result(), photo_bytes(), IDENTITY, why="wrong part")
    app = page("record")
    app.query_params["inspection"] = old.id
    app.run()
    button(app, "Open the one in its place").click().run()
    assert app.query_params["inspection"] == new.id
    assert not any("SUPERSEDED" in one.value for one in app.warning)


def test_gauge_readings_of_the_record_are_shown_in_the_users_unit(monkeypatch):
    said = []
    monkeypatch.setattr(ui.st, "html", said.append)
    saved = recording.store().save_inspection(result(), photo_bytes(), IDENTITY)
    app = page("record")
    app.query_params["inspection"] = saved.id
    app.session_state["preferences"] = Preferences(unit="in")
    app.run()
    assert any("0.055 ± 0.008 in, 1.57 in from the start" in one for one in said)


def test_photos_of_one_name_are_told_apart_and_what_no_page_holds_is_let_go(tmp_path, monkeypatch):
    uploads = Uploads(lambda session: True)
    monkeypatch.setattr(retention, "uploads", lambda: uploads)
    monkeypatch.setattr(photos.st, "session_state", {})
    files = [Uploaded(name, data) for name, data in (("image.jpg", b"a"), ("C:\\x\\image.jpg", b"b"), ("b.jpg", b"b"))]
    photos.take_in(files, "coupons_photos")
    first = photos.holding("coupons_photos")
    assert [one.name for one in first] == ["image.jpg", "image 2.jpg"]
    photos.take_in([Uploaded("c.jpg", b"c")], "bench_photos")
    assert all(one.path.exists() for one in first)
    photos.take_in([Uploaded("image.jpg", b"d")], "coupons_photos", kept=first[1:])
    assert [one.name for one in photos.holding("coupons_photos")] == ["image 2.jpg", "image.jpg"]
    assert [one.path.exists() for one in first] == [False, True]
    uploads.close()


class Uploaded:
    """A file as the chooser of files hands it over."""

    def __init__(self, name: str, data: bytes):
        self.name, self.file_id, self._data = name, name, data

    def getvalue(self) -> bytes:
        return self._data


def test_the_record_is_searched_and_names_are_not_markup():
    odd = IDENTITY.model_copy(update={"weld": "W **9** <b>x</b>"})
    recording.store().save_inspection(result(), photo_bytes(), odd, decision=NewDecision(decision="refer"))
    recording.store().save_inspection(result(seed=1), photo_bytes(1), IDENTITY)
    app = run("record")
    assert any("2 inspections" in one.value for one in app.text)
    app.text_input[0].set_value("**9**").run()
    assert any("1 inspection" in one.value for one in app.text)
    labels = [button.label for button in app.button]
    assert any(r"W \*\*9\*\* \<b\>x" in label and "referred" in label for label in labels)


def test_trends_list_each_inspection():
    for seed in range(3):
        recording.store().save_inspection(result(seed, width=8.0 + seed), photo_bytes(seed), IDENTITY)
    app = run("trends")
    assert not app.exception
    assert sum("Entry " in button.label for button in app.button) == 3


def test_a_person_is_erased_after_being_sure():
    recording.store().save_inspection(result(), photo_bytes(), IDENTITY)
    app = run("person")
    app.selectbox[0].set_value(IDENTITY.welder).run()
    erase = next(button for button in app.button if button.label == "Erase")
    assert erase.disabled
    app.checkbox[0].check().run()
    next(button for button in app.button if button.label == "Erase").click().run()
    assert "Erased" in app.success[0].value
    assert IDENTITY.welder not in recording.people_and_procedures("welder")


def keep_for_a_time(name):
    """A draft and a class that name somebody."""
    for kept in (retention.drafts(), retention.classes()):
        kept.keep("key", json.dumps({"said": {"looked_by": name}}), {})


def test_a_person_is_erased_from_drafts_and_classes_too():
    recording.store().save_inspection(result(), photo_bytes(), IDENTITY)
    keep_for_a_time(IDENTITY.welder.upper())
    app = run("person")
    app.selectbox[0].set_value(IDENTITY.welder).run()
    assert "So do 2 of the drafts and classes" in app.text[1].value
    app.checkbox[0].check().run()
    button(app, "Erase").click().run()
    assert ["Let go of 2" in one.value for one in app.success] == [True, False]
    assert retention.kept_for_a_time(IDENTITY.welder) == 0


def test_a_person_whom_a_draft_alone_names_can_be_erased():
    keep_for_a_time("Finn Aas")
    app = page("person")
    app.session_state["person"] = "Finn Aas"
    app.run()
    assert "So do 2 of the drafts and classes" in app.text[1].value
    assert button(app, "Erase")
    assert not app.error


def test_a_name_that_is_nowhere_is_one_sentence():
    app = page("person")
    app.session_state["person"] = "No Body"
    app.run()
    assert "Nothing on record names" in app.error[0].value
    assert not app.exception


def test_a_wrong_rubric_names_its_line_in_the_page():
    app = run("coupons")
    assert not app.exception
    next(one for one in app.toggle if "TOML" in one.label).set_value(True).run()
    area = app.text_area[0]
    area.set_value(area.value.replace("weight = 25", "weight = -25", 1)).run()
    assert "line" in app.error[0].value
    assert "weight" in app.error[0].value


def test_a_batch_is_not_measured_twice():
    read = result()
    found = read.model_copy(update={"settings": read.settings.model_copy(update={"gauge": ()})})
    measuring.remember(found)
    again = measuring.remembered(found.photo.sha256, "other.jpg", found.settings)
    assert again.photo.name == "other.jpg"
    assert again.measures == found.measures
    other = found.settings.model_copy(update={"thickness_mm": 9.0})
    assert measuring.remembered(found.photo.sha256, "other.jpg", other) is None


@pytest.mark.parametrize(
    ("typed", "ends"),
    [("310, 420, 2900, 460", ((310.0, 420.0), (2900.0, 460.0))), ("1;2;3;4", ((1.0, 2.0), (3.0, 4.0)))],
)
def test_typed_ends_are_read(typed, ends):
    assert components.read_ends(typed) == ends


@pytest.mark.parametrize("typed", ["", "1, 2, 3", "a, b, c, d", "1, 2, 3, inf", "1, 2, 3, nan"])
def test_typed_nonsense_gives_no_ends(typed):
    assert components.read_ends(typed) is None


def test_a_tap_maps_to_the_photos_own_pixels():
    # by hand: a photo 4000 wide shown 400 wide; the middle of CSS px 10 is photo px (10.5 * 10) - 0.5
    assert measuring.to_photo_px((10, 20), 400, 4000) == (104.5, 204.5)


HOSTILE = "![x](http://evil.example/x.png) <img src=x onerror=alert(1)> **b** :red[r] $a$ `c` [l](javascript:x)"


def shown_as_markdown(app: AppTest) -> str:
    """Every text of a page that the browser reads as Markdown."""
    kinds = (app.markdown, app.error, app.warning, app.info, app.success, app.header, app.title, app.subheader)
    return "\n".join([str(one.value) for kind in kinds for one in kind] + [one.label for one in app.button])


def test_names_of_a_record_are_markup_on_no_page():
    words = dict.fromkeys(("job", "weld", "welder", "procedure", "inspector", "part", "position"), HOSTILE)
    decision = NewDecision(decision="refer", by=HOSTILE[:200], reason=HOSTILE)
    saved = recording.store().save_inspection(
        result().model_copy(update={"photo": result().photo.model_copy(update={"name": HOSTILE})}),
        photo_bytes(),
        Identity(**words),
        remarks=HOSTILE,
        decision=decision,
    )
    new = recording.store().supersede(saved.id, result(1), photo_bytes(1), Identity(**words), why=HOSTILE)
    for app in (opened(saved.id), opened(new.id), run("record"), run("trends"), run("person")):
        assert not app.exception
        said = shown_as_markdown(app)
        for sign in ("![x](", "<img", "**b**", ":red[", "$a$", "`c`", "[l]("):
            assert not re.search(r"(?<!\\)" + re.escape(sign), said), sign


def test_a_photos_name_in_an_error_is_not_markup():
    app = AppTest.from_string(
        "from toeline_app import ui\nui.error('![x](http://evil) **a**.jpg is not a photo.')"
    ).run()
    assert app.error[0].value == r"\!\[x\]\(http\://evil\) \*\*a\*\*\.jpg is not a photo\."


def test_a_record_that_fails_is_one_sentence_on_every_page(tmp_path, monkeypatch):
    (tmp_path / "notes.sqlite").write_text("no database, but a text long enough to be looked at " * 30)
    monkeypatch.setenv("TOELINE_STORE", str(tmp_path / "notes.sqlite"))
    code = (
        "from toeline_app import shell\nfrom toeline_app.views import record\nfrom toeline.errors import ToelineError\n"
        "shell.shown(record.page)"
    )
    app = AppTest.from_string(code, default_timeout=300)
    app.session_state["preferences"] = Preferences()
    app.run()
    assert not app.exception
    assert "cannot be used" in app.error[0].value
    monkeypatch.setenv("TOELINE_STORE", str(tmp_path / "record.sqlite"))


def test_where_nothing_can_be_kept_for_a_batch_it_goes_on(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("in the way")
    monkeypatch.setattr(measuring, "_KEPT", KeptMeasurements(tmp_path / "file" / "measured.sqlite"))
    found = result()
    measuring.remember(found.model_copy(update={"settings": found.settings.model_copy(update={"gauge": ()})}))
    assert measuring.remembered(found.photo.sha256, "a.jpg", found.settings) is None


@pytest.mark.parametrize(
    ("number", "words"), [(28, "no room on the server"), (5, "A file of the server cannot be used")]
)
def test_a_disk_that_fails_is_one_sentence_on_every_page(number, words):
    code = (
        "import os\nfrom toeline_app import shell\n"
        f"def page():\n    raise OSError({number}, os.strerror({number}), '/x')\n"
        "shell.shown(page)"
    )
    app = AppTest.from_string(code, default_timeout=60).run()
    assert not app.exception
    assert words in app.error[0].value
    assert "/x" not in app.error[0].value


def test_a_lost_photo_hides_nothing_else_of_an_inspection():
    saved = recording.store().save_inspection(result(), photo_bytes(), IDENTITY, remarks="Preheated.")
    recording.store()._photos.path(saved.photos[0].sha256).unlink()
    recording.recorded_picture.clear()
    app = opened(saved.id)
    assert not app.exception
    assert "missing" in app.error[0].value
    assert any(one.label == "Look it over and save" for one in app.button)


def test_user_text_cannot_mark_up():
    assert ui.plain("a*b_[x](y) $z$ :red[k]\n# t") == r"a\*b\_\[x\]\(y\) \$z\$ \:red\[k\] \# t"


def test_tables_escape_every_cell(monkeypatch):
    said = []
    monkeypatch.setattr(ui.st, "html", said.append)
    ui.table(("<i>h</i>", "v"), [("<script>", '" onload="x')], caption="<b>")
    assert "<script>" not in said[0]
    assert "&lt;script&gt;" in said[0]
    assert 'onload="' not in said[0]


def test_a_day_is_never_broken_over_two_lines_and_a_long_text_stands_below_its_name(monkeypatch):
    said = []
    monkeypatch.setattr(ui.st, "html", said.append)
    ui.table(("What", "Value"), [("Recorded", "2026-03-14 20:00 UTC"), ("Why", "long " * 20)])
    ui.line("pass", "Flat", "Last welded 2026-03-14.")
    whole = "2026-\u206003-\u206014"
    assert f'<td data-label="Value">{whole} 20:00 UTC' in said[0]
    assert whole in said[1]
    assert ui.plain("2026-03-14") == "2026\\-\u206003\\-\u206014"
    assert [one.count("tl-long") for one in said[0].split("<tr")[2:]] == [0, 1]


ALL_SAID = Preferences(
    electrode_class="E7018", electrode_mm=3.2, current_a=95, box_low_a=90, box_high_a=130, polarity="DC+",
    position="3G up", technique="weave", intended_width_mm=10.0,
)  # fmt: skip


def test_how_it_was_welded_becomes_what_is_coached_by():
    welding = to_settings(ALL_SAID).welding
    assert (welding.electrode_class, welding.current_a, welding.box_range_a) == ("E7018", 95, (90, 130))
    assert (welding.slope_deg, welding.rotation_deg, welding.technique) == (90, 90, "weave")
    assert to_settings(ALL_SAID.model_copy(update={"box_low_a": 140.0})).welding.box_range_a is None
    fillet = to_settings(ALL_SAID.model_copy(update={"joint": "fillet"}))
    assert fillet.welding.slope_deg is None, "a fillet has no 3G"
    again = coach.from_welding(welding)
    assert Preferences.model_validate(again).electrode_class == "E7018"
    assert read_cookie(write_cookie(ALL_SAID)) == ALL_SAID


def test_the_page_and_the_command_line_take_in_the_same_of_how_it_was_welded():
    """One list of words: what ``toeline measure`` takes of the weld has its place on the page, by the same setting."""
    said = ALL_SAID.model_copy(update={"weld_pass": "cap", "preheat_c": 100.0, "interpass_c": 150.0})
    own = AboutPhoto(arc_time_s=30.0, travel_mm_min=180.0, voltage_v=24.0)
    given = own.welding(to_settings(said).welding).model_copy(update={"noticed": {"sound": "weak"}})
    missing = {name for name in Welding.model_fields if getattr(given, name) in (None, {})}
    assert missing == {"bead_length_mm"}  # it is measured
    by_words = settings_from(
        electrode="3.2", electrode_class="E7018", current=95, box_range="90-130", polarity="DC+", position="3G up",
        technique="weave", intended_width=10, arc_time=30, travel_speed=180, voltage=24, noticed=["sound=weak"],
        weld_pass="cap", preheat=100, interpass=150,
    )  # fmt: skip
    assert by_words.welding == given


def coaching_page(shown, expression):
    app = AppTest.from_string(
        "import streamlit as st\nfrom toeline_app import coach\nresult, shown = st.session_state['given']\n"
        + expression,
        default_timeout=300,
    )
    app.session_state["preferences"] = Preferences()
    app.session_state["given"] = shown
    return app.run()


def coached(**welding):
    found = result().model_copy(update={"judgement": None})
    weld = found.settings.welding.model_copy(update=welding)
    said = found.settings.model_copy(update={"welding": weld, "gauge": ()})
    found = found.model_copy(update={"settings": said})
    causes = rank_causes(found)
    return found.model_copy(
        update={"causes": causes.causes, "causes_why": causes.causes_why, "coaching": causes.coaching}
    )


def test_a_setting_out_of_range_is_the_first_word_of_the_page():
    found = coached(electrode_class="E7018", electrode_mm=3.2, current_a=95)
    app = coaching_page((found, None), "coach.advice(result)")
    assert not app.exception
    said = app.get("html")[0].proto.body if app.get("html") else ""
    assert "Put right first" in said
    assert "from 95 to 110 A" in said
    assert "Most likely" not in said


@pytest.mark.parametrize("joint", ["bead", "butt", "fillet"])
def test_each_question_of_the_coach_has_an_input_on_the_page(joint):
    """Ask only for what can then be taken in."""
    for sign in chart().signs.values():
        takes = sign.takes(joint)
        if takes is None or takes in coach.WELDED or takes in ("arc_time_s", "voltage_v"):
            continue
        assert takes == "noticed" or takes.removeprefix("gauge.") in gauges(), sign.id
        assert takes != "noticed" or sign.id in readings.noticed_signs(joint)


def test_what_was_noticed_is_told_on_the_page_and_nothing_is_filled_in(tmp_path):
    photo = photos.Photo("bead.jpg", tmp_path / ("a" * 64))
    shown = photos.Shown(photo, coached())
    app = coaching_page((shown.result, shown), "coach.questions(shown, result)")
    assert not app.exception
    assert all(box.value is None for box in app.selectbox)
    assert all(number.value is None for number in app.number_input)
    sound = next(box for box in app.selectbox if box.label.startswith("How the arc sounded"))
    sound.set_value("weak")
    [one for one in app.button if one.label == "Tell the coach"][-1].click()
    app.run()
    assert not app.exception
    assert app.session_state["said"].about[photo.sha256].noticed == {"sound": "weak"}
