"""A welding procedure's ranges: read, refused with their line, and held against the settings."""

from __future__ import annotations

import pytest

import invented
from toeline.causes import rank_causes
from toeline.causes.procedure import load_procedure, procedure_from, read_procedure
from toeline.causes.welding import check_result, check_settings
from toeline.datafile import text_of
from toeline.errors import SettingsError
from toeline.result import Procedure, Quantity, RunRanges
from toeline.settings import settings_from
from toeline.units import read_temperature

EXAMPLE = read_procedure(text_of("procedures/example.toml"))


def lines(**said):
    position = said.get("position")
    settings = settings_from(procedure=EXAMPLE, joint="fillet", **said)
    result = invented.result().model_copy(update={"settings": settings})
    assert position is None or settings.welding.slope_deg is not None
    return {line.variable: (line.outcome, line.used) for line in check_result(result).procedure}


def test_each_variable_is_inside_outside_or_not_said():
    held = lines(
        weld_pass="fill",
        electrode="1/8",
        electrode_class="7018",
        current=150,
        polarity="DC+",
        position="4F",
        interpass="300",
    )
    assert held == {
        "Rod": ("inside", "7018"),
        "Rod size": ("inside", "3.17 mm"),
        "Polarity": ("inside", "DC+"),
        "Current": ("outside", "150 A"),
        "Voltage": ("unknown", "not said"),
        "Travel speed": ("unknown", "not said"),
        "Heat input": ("unknown", "not said"),
        "Position": ("outside", "overhead"),
        "Preheat": ("unknown", "not said"),
        "Interpass temperature": ("outside", "300 °C"),
    }


def test_a_pass_has_its_own_ranges():
    assert lines(weld_pass="Root", current=90, electrode=2.5)["Current"] == ("inside", "90 A")
    assert lines(weld_pass="cap", current=90)["Current"] == ("outside", "90 A")
    two = Procedure(name="W", run=tuple(RunRanges(passes=(p,), current_a=(70, 100)) for p in ("root", "fill")))
    for said, outcome in ((None, "unknown"), ("cap", "outside"), ("root", None)):
        held = check_settings(settings_from(procedure=two, weld_pass=said, current=90), None).procedure
        assert next((one.outcome for one in held if one.variable == "Pass"), None) == outcome
    alone = Procedure(name="W", run=(RunRanges(passes=("root",), current_a=(70, 100)),))
    held = check_settings(settings_from(procedure=alone, weld_pass="cap", current=90), None).procedure
    assert [(one.variable, one.outcome) for one in held] == [("Pass", "outside")]  # a root's ranges hold for no cap
    for procedure, allowed in ((alone, "root"), (EXAMPLE, "root or another")):  # which pass it is has to be said
        held = check_settings(settings_from(procedure=procedure, current=90), None).procedure
        assert (held[0].variable, held[0].allowed, held[0].outcome) == ("Pass", allowed, "unknown")
        assert "Current" not in [one.variable for one in held]


@pytest.mark.parametrize(
    ("seconds", "outcome"),
    [(30, "inside"), (24, "inside"), (22, "unknown"), (21.8, "unknown"), (21, "outside"), (60, "outside")],
)
def test_travel_is_decided_only_beyond_the_doubt_of_the_length(seconds, outcome):
    """80 mm ± 1.6 mm: by hand, 80 / 21.8 x 60 = 220.2 mm/min ± 4.4, the limits 100 and 220."""
    settings = settings_from(procedure=EXAMPLE, weld_pass="cap", arc_time=seconds)
    measures = {"length": Quantity(value=80.0, U=1.6)}
    result = invented.result().model_copy(update={"settings": settings, "measures": measures})
    (travel,) = (line for line in check_result(result).procedure if line.variable == "Travel speed")
    assert travel.outcome == outcome


def test_the_procedure_rules_over_the_rod_and_comes_first_in_the_coaching():
    settings = settings_from(
        procedure=EXAMPLE, weld_pass="2", electrode=3.2, electrode_class="E7018", current=145, polarity="DC-"
    )
    coaching = rank_causes(invented.result().model_copy(update={"settings": settings})).coaching
    assert coaching.first_is == "setting"
    assert coaching.first == "Weld as the procedure WPS-EC-01 says: polarity DC+, not DC-."
    assert any("145 A is over the procedure WPS-EC-01's 110 to 140 A" in why for why in coaching.why)
    # the box's own range allows it, the procedure does not
    held = check_settings(settings.model_copy(update={"unit": "in"}), None)
    assert held.current_range.high_a == 140
    assert held.starting_current_a[1] <= 140


def test_inches_and_fahrenheit():
    settings = settings_from(procedure=EXAMPLE, weld_pass="fill", unit="in", preheat=70, interpass="250C", arc_time=10)
    held = {line.variable: line for line in check_settings(settings, None).procedure}
    assert (held["Preheat"].allowed, held["Preheat"].used) == ("68 °F or more", "70 °F")
    assert held["Preheat"].outcome == held["Interpass temperature"].outcome == "inside"
    assert held["Travel speed"].allowed == "3.94 to 8.66 in/min"
    assert held["Heat input"].allowed == "12.7 to 38.1 kJ/in"
    assert held["Rod size"].allowed == "0.126 in"


@pytest.mark.parametrize(("typed", "unit", "celsius"), [("250", "mm", 250), ("482F", "mm", 250), (482, "in", 250)])
def test_temperatures_as_they_are_typed(typed, unit, celsius):
    assert read_temperature(typed, unit) == pytest.approx(celsius)
    with pytest.raises(SettingsError):
        read_temperature("warm", unit)


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        (("current_a = [110, 140]", "current_a = [140, 110]"), "lower figure first"),
        (('"2F"', '"2X"'), "not understood"),
        (("revision", "revisions"), "line 5: revisions"),
        (("rod_mm = [3.2]", 'rod_mm = ["thick"]'), "line 21: run.rod_mm"),
        (('passes = ["root"]\n', ""), "every pass"),
        (("[[run]]", "[[run"), "not valid TOML"),
        (('polarity = ["DC+"]', 'polarity = ["DCEP"]'), "polarity"),
        (("current_a = [110, 140]", "current_a = [nan, 140]"), "finite"),
        (("current_a = [110, 140]", "current_a = [110, 1e400]"), "finite"),
        (("current_a = [110, 140]", "current_a = [110, 1e308]"), "give one that can be"),
        (("current_a = [110, 140]", f"current_a = [110, {'9' * 5000}]"), "not valid TOML"),
        (("current_a = [110, 140]", f"current_a = {'[' * 5000}{']' * 5000}"), "nested too deeply"),
        (("rod_mm = [3.2]", "rod_mm = [-3.2]"), "core diameter"),
        (("rod_mm = [3.2]", f"rod_mm = {[3.2] * 60}"), "61 entries in a row"),
        (('passes = ["root"]', 'passes = ["' + "r" * 1000 + '"]'), "1000 letters"),
    ],
)
def test_a_wrong_procedure_is_refused_in_a_sentence(changed, said):
    with pytest.raises(SettingsError, match=said) as caught:
        read_procedure(text_of("procedures/example.toml").replace(*changed), "wps.toml")
    assert "Value error" not in str(caught.value)


def test_no_word_of_a_procedure_commands_a_terminal_or_turns_a_line_about():
    for sign in ("\\u001b[31m", "\\u0007", "\\u202e", "\u202e"):
        with pytest.raises(SettingsError, match="a sign that nobody sees"):
            read_procedure(f'name = "W{sign}"\n[[run]]\n')
    made = procedure_from({"name": "W\x1b[31mPS\u202e 9", "rods": "E70\x0018"})
    assert (made.name, made.run[0].rods) == ("W [31mPS 9", ("E70 18",))


TYPED = {
    "name": " WPS-12 ",
    "rods": "E7018, E7016,",
    "rod_sizes": "3.2, 1/8",
    "polarity": "DC+",
    "current": "110 - 140",
    "travel": "4-8",
    "positions": "2F, vertical up",
    "interpass": "482",
}


def test_a_procedure_typed_into_a_form():
    made = procedure_from(TYPED | {"rod_sizes": "0.126, 1/8"}, "in")
    (run,) = made.run
    assert (made.name, made.positions, made.preheat_min_c) == ("WPS-12", ("2F", "vertical up"), None)
    assert made.interpass_max_c == pytest.approx(250)
    assert run.rods == ("E7018", "E7016")
    assert run.rod_mm == pytest.approx((3.2, 3.175), abs=1e-3)
    assert (run.current_a, run.voltage_v, run.polarity) == ((110, 140), None, ("DC+",))
    assert run.travel_mm_min == pytest.approx((101.6, 203.2))


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"name": " "}, "name or number"),
        ({"current": "much"}, "'much' is no range of current"),
        ({"current": "140-110"}, "lower figure first"),
        ({"polarity": "DCEP"}, "polarity"),
        ({"positions": "2X"}, "not understood"),
        ({"rod_sizes": "thick"}, "no length"),
        ({"interpass": "warm"}, "no temperature"),
    ],
)
def test_what_is_typed_wrong_is_said_in_a_sentence(wrong, said):
    with pytest.raises(SettingsError, match=said):
        procedure_from(TYPED | wrong)


def test_a_file_that_is_not_there_is_said(tmp_path):
    with pytest.raises(SettingsError, match="cannot be read"):
        load_procedure(tmp_path / "none.toml")
