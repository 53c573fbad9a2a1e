"""The pages of welds, later tests, procedures and continuity, run by Streamlit's own AppTest."""

from __future__ import annotations

from datetime import date

import pytest
from streamlit.testing.v1 import AppTest

from invented import IDENTITY, photo_bytes, result
from toeline.record import NewDecision
from toeline_app.prefs import Preferences
from toeline_app.service import recording


@pytest.fixture(autouse=True)
def own_record(tmp_path, monkeypatch):
    monkeypatch.setenv("TOELINE_STORE", str(tmp_path / "record.sqlite"))
    recording.store.clear()
    yield
    recording.store().close()
    recording.store.clear()


def page(name: str, inspection: str | None = None) -> AppTest:
    app = AppTest.from_string(f"from toeline_app.views import {name}\n{name}.page()", default_timeout=300)
    if inspection is not None:
        app.query_params["inspection"] = inspection
    app.session_state["preferences"] = Preferences()
    return app.run()


def press(app: AppTest, label: str) -> AppTest:
    return next(one for one in app.button if one.label == label).click().run()


def tables(app: AppTest) -> str:
    return " ".join(one.proto.body for one in app.get("html"))


def two_passes():
    store = recording.store()
    root = store.save_inspection(result(0), photo_bytes(0), IDENTITY.model_copy(update={"weld_pass": "root"}))
    cap = store.save_inspection(result(1), photo_bytes(1), IDENTITY.model_copy(update={"weld_pass": "cap"}))
    return root, cap


def test_a_weld_shows_its_passes_and_leads_to_each():
    root, cap = two_passes()
    app = page("record", inspection=cap.id)
    assert not app.exception
    assert any("2 inspections" in one.label for one in app.expander)
    assert "Root pass" in tables(app)
    press(app, f"Open entry {root.number}, Root pass")
    assert app.query_params["inspection"] == root.id


def test_a_test_is_added_on_the_page_and_stands_beside_the_outcome():
    root, cap = two_passes()
    app = page("record", inspection=cap.id)
    press(app, "Add the test result")
    assert any("Choose the test" in one.value for one in app.error)
    assert recording.weld(cap.id).tests == ()
    next(one for one in app.selectbox if one.label == "Test").select("macro")
    next(one for one in app.radio if one.label == "Result").set_value("fail")
    next(one for one in app.text_area if one.label == "What was found").set_value("No <b>fusion</b> at the root")
    press(app, "Add the test result")
    assert not app.exception
    (test,) = recording.weld(root.id).tests
    assert (test.kind, test.outcome, test.inspection) == ("macro", "fail", cap.id)
    assert any("A later test did not pass" in one.value for one in app.error)
    assert "No &lt;b&gt;fusion&lt;/b&gt;" in tables(app)


def test_a_correction_says_what_else_it_undoes():
    root, _ = two_passes()
    recording.store().decide(root.id, NewDecision(decision="refer", by="Noor Holm"))
    app = page("record", inspection=root.id)
    said = " ".join(one.value for one in app.text)
    assert f"Entry {root.number} was referred on" in said
    assert "that decision is not carried over" in said
    assert "no longer counts in the list, in trends and in the welder's continuity" in said


def test_the_list_says_what_has_to_stand_beside_the_outcome():
    judged = result(0)
    judgement = judged.judgement.model_copy(update={"beside": ("root not judged", "2 limits from memory")})
    recording.store().save_inspection(judged.model_copy(update={"judgement": judgement}), photo_bytes(0), IDENTITY)
    app = page("record")
    assert any("root not judged; 2 limits from memory" in one.label for one in app.button)


def test_what_lapses_is_shown_with_its_source():
    two_passes()
    app = page("continuity")
    assert not app.exception
    assert any("Ada Brandt" in one.value for one in app.subheader)
    app.date_input[0].set_value(date(2026, 9, 20)).run()
    assert "Lapsed 2026-09-14" in tables(app).replace("\u2060", "")  # what keeps a day whole
    said = " ".join(one.value for one in app.text)
    assert "ISO 9606-1:2012, 9.2 (from memory)" in said
    assert "It confirms nothing" in said
    app.date_input[0].set_value(date(2020, 1, 1)).run()
    assert any("No weld" in one.value for one in app.info)


def test_a_procedure_is_kept_from_the_page_and_a_wrong_one_names_its_line():
    app = page("procedures")
    assert any("No procedure" in one.value for one in app.info)
    area = app.text_area[0]
    area.set_value(area.value.replace("current_a = [110, 140]", 'current_a = "much"'))
    press(app, "Keep the text")
    assert any("line 22" in one.value for one in app.error)
    assert recording.procedures() == ()
    app.text_area[0].set_value(recording.procedure_example())
    press(app, "Keep the text")
    assert not app.exception
    assert [one.name for one in recording.procedures()] == ["WPS-EC-01"]
    assert "110 to 140 A" in tables(app)
    press(app, "Keep the procedure")
    assert any("name or number" in one.value for one in app.error)
    next(one for one in app.text_input if one.label == "Name or number").set_value("WPS-2")
    next(one for one in app.text_input if one.label == "Current, A").set_value("90-95")
    press(app, "Keep the procedure")
    assert [one.name for one in recording.procedures()] == ["WPS-2", "WPS-EC-01"]
    assert "90 to 95 A" in tables(app)


def test_settings_outside_a_procedure_are_told_on_the_page():
    from toeline.causes.procedure import read_procedure
    from toeline.causes.welding import check_result

    plain = result(0)
    welding = plain.settings.welding.model_copy(update={"current_a": 150.0, "weld_pass": "cap"})
    held = {"welding": welding, "procedure": read_procedure(recording.procedure_example())}
    changed = plain.model_copy(update={"settings": plain.settings.model_copy(update=held)})
    changed = changed.model_copy(update={"procedure": check_result(changed).procedure})
    saved = recording.store().save_inspection(changed, photo_bytes(0), IDENTITY)
    app = page("record", inspection=saved.id)
    assert any("1 outside" in one.label for one in app.expander)
    assert "OUTSIDE" in tables(app)


def test_a_procedure_on_record_is_chosen_where_a_weld_is_measured():
    from toeline_app.views.bench import to_settings

    asked = Preferences(procedure="WPS-EC-01", weld_pass="root", interpass_c=180)
    assert to_settings(asked).procedure is None  # none of that name is on record
    recording.keep_procedure(recording.procedure_example())
    settings = to_settings(asked)
    assert settings.procedure.name == "WPS-EC-01"
    assert (settings.welding.weld_pass, settings.welding.interpass_c) == ("root", 180)
    app = AppTest.from_string(
        "from toeline_app import coach, prefs\nprefs.remember(coach.welded(prefs.preferences()))", default_timeout=300
    )
    app.session_state["preferences"] = Preferences(unit="in")
    app.run()
    next(one for one in app.selectbox if one.label.startswith("Welding procedure")).select("WPS-EC-01")
    next(one for one in app.selectbox if one.label == "Pass").select("cap")
    next(one for one in app.number_input if one.label == "Weld before this pass, °F").set_value(356.0)
    app.run()
    assert not app.exception
    chosen = app.session_state["preferences"]
    assert (chosen.procedure, chosen.weld_pass, round(chosen.interpass_c)) == ("WPS-EC-01", "cap", 180)
