"""What a person reads first of a result."""

from __future__ import annotations

from judged_results import q, result
from toeline.report.highlights import measures_to_read


def test_a_fillets_size_comes_first_and_no_unfolded_width() -> None:
    legs = {"leg_base": q(6.0), "leg_base_min": q(5.5), "leg_upright": q(6.2), "throat": q(4.3), "joint_angle": q(90.0)}
    fillet = result(joint="fillet", measures=legs)
    shown = measures_to_read(fillet)
    assert list(shown)[:5] == ["leg_base", "leg_upright", "throat", "face_width", "joint_angle"]
    assert "leg_base_min" in shown
    assert not {"width_mean", "width_min", "width_max", "width_sd", "length_to_width"} & shown.keys()
    assert "width_variation" in shown  # a ratio that unevenness is judged by


def test_a_bead_shows_all_its_measures_as_they_are() -> None:
    bead = result()
    assert measures_to_read(bead) == bead.measures
