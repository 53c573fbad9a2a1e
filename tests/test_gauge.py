"""Gauge readings and statements as a person types them."""

from __future__ import annotations

import numpy as np
import pytest

from toeline.errors import SettingsError
from toeline.evidence.gauge import check_reading, gauges, read_gauge, read_look
from toeline.result import GaugeReading
from toeline.settings import settings_from

INCH = 25.4  # exact, ISO 80000-3


def test_a_reading_with_place_own_uncertainty_and_units() -> None:
    plain = read_gauge("undercut_depth=0.4@37")
    assert (plain.name, plain.value, plain.at, plain.unit) == ("undercut_depth", 0.4, 37.0, "mm")
    assert plain.U == gauges()["undercut_depth"].U > 0
    own = read_gauge("undercut_depth = 0.4 +- 0.05 mm @ 37 mm")
    assert (own.value, own.U, own.at) == (0.4, 0.05, 37.0)
    assert read_gauge("undercut_depth=0.4±0.05@37") == own
    assert read_gauge("undercut_depth=.4+/-.05@37.0") == own


def test_inches_by_setting_or_by_suffix_are_the_same_reading() -> None:
    inches = read_gauge("undercut_depth=0.016+-0.004@1.5", unit="in")
    assert inches.value == pytest.approx(0.016 * INCH)
    assert pytest.approx(0.004 * INCH) == inches.U
    assert inches.at == pytest.approx(1.5 * INCH)
    assert read_gauge("undercut_depth=0.016in+-0.004in@1.5in") == inches
    assert read_gauge("undercut_depth=0.4mm@37mm", unit="in") == read_gauge("undercut_depth=0.4@37")


def test_angles_and_counts_know_no_millimetres() -> None:
    angle = read_gauge("toe_angle=140@20", unit="in")
    assert (angle.value, angle.unit, angle.at) == (140, "deg", pytest.approx(20 * INCH))
    count = read_gauge("cracks=0")
    assert (count.value, count.U, count.unit) == (0, 0, "1")


def test_a_reading_in_inches_from_elsewhere_is_brought_to_mm() -> None:
    reading = check_reading(GaugeReading(name="throat", value=0.2, U=0.01, unit="in"))
    assert (reading.value, reading.U, reading.unit) == (pytest.approx(5.08), pytest.approx(0.254), "mm")
    assert check_reading(reading) == reading


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("undercut_depth", "is not NAME=VALUE"),
        ("undercut_depth=", "is not NAME=VALUE"),
        ("undercut_depth=deep", "is not NAME=VALUE"),
        ("undercut_depth=0.4@", "is not NAME=VALUE"),
        ("undercut=0.4", "whole number"),
        ("depth=0.4", "no gauge reading named 'depth'"),
        ("undercut_depth=-0.1", "below zero"),
        ("undercut_depth=0.4+--0.1", "below zero"),
        ("undercut_depth=0.4cm", "use mm or in"),
        ("undercut_depth=0.4@37deg", "use mm or in"),
        ("undercut_depth=1e999", "larger than anything"),
        ("toe_angle=181", "180 degrees"),
        ("toe_angle=90mm", "takes no unit"),
        ("cracks=0.5", "whole number"),
        ("cracks=1+-1", "no uncertainty"),
        ("cracks=1mm", "takes no unit"),
        ("spatter_accepted=2", "1 for yes or 0 for no"),
        ("visible_faults=1", "can only be 0"),
    ],
)
def test_what_makes_no_sense_is_refused_in_one_sentence(text: str, says: str) -> None:
    with pytest.raises(SettingsError, match=says) as refused:
        read_gauge(text)
    assert "\n" not in str(refused.value)


def test_every_statement_that_a_blanket_one_covers_exists() -> None:
    for gauge in gauges().values():
        assert set(gauge.covers) <= gauges().keys()


@pytest.mark.parametrize(
    ("text", "name", "value", "at"),
    [
        ("crack=none", "cracks", 0, None),
        ("cracks=yes", "cracks", 1, None),
        ("overlap=yes@37", "overlap", 1, 37.0),
        ("overlap = none @ 1in", "overlap", 0, 25.4),
        ("pore=3", "pores", 3, None),
        ("spatter_accepted=no", "spatter_accepted", 0, None),
    ],
)
def test_a_look_is_read_as_it_is_said(text: str, name: str, value: float, at: float | None) -> None:
    read = read_look(text)
    assert (read.name, read.value, read.at, read.unit) == (name, value, at, "1")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("crack", "NAME=none"),
        ("crack=perhaps", "NAME=none"),
        (f"pores={'9' * 400}", "NAME=COUNT"),
        ("crackle=none", "no look named 'crackle'"),
        ("undercut_depth=none", "no look named"),
        ("visible_faults=none", "no look named"),  # each look is its own question
        ("pores=yes", "say how many"),
        ("overlap=3", "yes or no"),
        ("spatter_accepted=none", "yes or no"),
    ],
)
def test_a_look_that_makes_no_sense_is_refused(text: str, says: str) -> None:
    with pytest.raises(SettingsError, match=says):
        read_look(text)


def test_a_look_is_somebodys_own() -> None:
    with pytest.raises(SettingsError, match="who looked"):
        settings_from(looked=["crack=none"])
    said = settings_from(looked=["crack=none"], gauge=["undercut_depth=0.4"], looked_by=" A.\nBoon ")
    assert [(one.name, one.by) for one in said.gauge] == [("undercut_depth", "A. Boon"), ("cracks", "A. Boon")]
    assert settings_from(gauge=["undercut_depth=0.4"]).gauge[0].by is None


@pytest.mark.parametrize(
    ("said", "says"),
    [
        ({"check_line_mm": 49.7}, "There is no setting 'check_line_mm'; did you mean 'check_line'"),
        ({"zzz": 1}, "There is no setting 'zzz'; the keywords are the options of toeline measure"),
        ({"joint": "plate"}, "The setting joint cannot be 'plate': input should be 'bead', 'butt' or 'fillet'"),
        ({"polarity": "dc+"}, r"polarity cannot be 'dc\+'"),
        ({"unit": "cm"}, "unit cannot be 'cm'"),
        ({"current": "much"}, "current cannot be 'much'"),
        ({"thickness": [8]}, r"thickness cannot be \[8\]"),
        ({"ends": (1, 2, 3)}, r"ends cannot be \(1, 2, 3\): some of it is missing"),
        ({"ends": 5}, "ends cannot be 5"),
        ({"gauge": "throat=3"}, "gauge cannot be 'throat=3': give a list"),
        ({"looked": "crack=none", "looked_by": "A"}, "looked cannot be 'crack=none': give a list"),
        ({"weld_pass": 5}, "weld_pass cannot be 5"),
    ],
)
def test_a_setting_of_no_known_name_or_kind_is_refused(said: dict[str, object], says: str) -> None:
    """Passed over in silence, a mistyped name would leave the scale or the verdict to chance."""
    with pytest.raises(SettingsError, match=says):
        settings_from(**said)


def test_figures_may_be_text_or_of_another_library() -> None:
    said = settings_from(current="95", thickness=np.float32(8), ends=np.array([1, 2, 30, 4]), joint_angle="90")
    assert (said.welding.current_a, said.thickness_mm, said.joint_angle_deg) == (95.0, 8.0, 90.0)
    assert said.ends_px == ((1.0, 2.0), (30.0, 4.0))
