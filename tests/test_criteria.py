"""Criteria sets as data: the expression reader, the schema, a user's own sets, listing and comparing."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from toeline.criteria import (
    QUANTITIES,
    VARIABLES,
    Criteria,
    criteria_table,
    differences,
    is_shipped,
    list_criteria,
    load_criteria,
    own_copy,
    symbols,
)
from toeline.criteria.expression import condition, expression
from toeline.errors import CriteriaError
from toeline.evidence.gauge import gauges

NAMES = VARIABLES.keys()
OWN = """\
# the shop's own
id = "our-shop"
title = "Our shop"
edition = "2026-1"
standard = "shop rule 7"

[[line]]
id = "undercut"
imperfection = "Undercut"
of = "undercut_depth"
limit = "h <= min(0.1*t, 0.3)"
evidence = "both"
source = "sheet 2"
confidence = "A"
"""


def own(tmp_path: Path, text: str = OWN) -> Path:
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    return path


# Expressions


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1", 1),
        ("0.2*t", 2),
        ("min(0.2*t, 1)", 1),
        ("max(t/4, 1)", 2.5),
        ("1 + 0.25*b", 3),
        ("-(1 - 3)*2", 4),
        ("1/32", 0.03125),
        ("min(50, l/6, 0.3*l)", 20),
    ],
)
def test_arithmetic(text: str, value: float) -> None:
    assert expression(text, NAMES).value({"t": 10, "b": 8, "l": 120}) == pytest.approx(value)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "x",
        "t**9",
        "t % 2",
        "t // 2",
        "t; t",
        "t = 2",
        "(t := 2)",
        "True",
        "'a'",
        "1j",
        "min(t)",
        "min(t, b, key=t)",
        "min(*[t, b])",
        "abs(t)",
        "__import__('os')",
        "t.real",
        "t[0]",
        "[t]",
        "lambda: t",
        "t if t else b",
        "t and b",
        "t < 3",
        "(" * 150 + "t" + ")" * 150,
        "t\x00",
        "+t",
    ],
)
def test_everything_else_is_refused(text: str) -> None:
    with pytest.raises(ValueError):  # noqa: PT011 -- any of the reader's sentences
        expression(text, NAMES)


def test_conditions() -> None:
    assert condition("0.5 <= t <= 3", NAMES).holds({"t": 3})
    assert not condition("0.5 <= t < 3", NAMES).holds({"t": 3})
    for text in ("t", "t == 3", "t < 3 and b > 2", "t < 'a'", "t in b"):
        with pytest.raises(ValueError, match=text.split()[0]):
            condition(text, NAMES)


@pytest.mark.parametrize("text", ["1/0", "1/(t - t)", "1/(2 - 2)", "t/-0.0", "1e400", "9" * 150, "(" * 200])
def test_what_may_give_no_number_is_refused_before_it_is_asked(text) -> None:
    with pytest.raises(ValueError, match=r"zero|beyond|not arithmetic"):
        expression(text, NAMES)
    with pytest.raises(ValueError, match=r"zero|beyond|not arithmetic|longer"):
        condition(f"{text} < t", NAMES)


def test_many_signs_are_still_a_number() -> None:
    assert expression("-" * 198 + "1", NAMES).value({}) == 1


def test_a_number_without_end_is_a_value_error() -> None:
    assert expression("t/4 + 1/32", NAMES).value({"t": 8}) == 2 + 1 / 32
    with pytest.raises(ValueError, match="no finite number"):
        expression("t*t", NAMES).value({"t": 1e200})


@given(st.text(max_size=40))
def test_no_text_does_anything_but_raise_value_error(text: str) -> None:
    try:
        read = expression(text, NAMES)
    except ValueError:
        return
    assert read.names <= NAMES


# Shipped sets


def test_the_shipped_sets() -> None:
    assert [criteria.id for criteria in list_criteria()] == [
        "api-1104",
        "asme-b31.3-normal",
        "aws-d1.1-cyclic",
        "aws-d1.1-static",
        "iso5817-2014-b",
        "iso5817-2014-c",
        "iso5817-2014-d",
        "iso5817-2023-b",
        "iso5817-2023-c",
        "iso5817-2023-d",
        "iso9606-1",
        "welder-test-plate",
        "workmanship",
    ]


@pytest.mark.parametrize("criteria", list_criteria(), ids=lambda criteria: criteria.id)
def test_every_shipped_line_can_be_settled_and_says_how_sure_it_is(criteria: Criteria) -> None:
    for line in criteria.lines:
        kind = QUANTITIES[line.of]
        for name in (kind.gauge, kind.statement, kind.extent, line.eye):
            assert name is None or name in gauges()
        rule = line.per_length.source if line.per_length else None
        assert ("(from memory)" in line.cited) == (line.confidence == "C" or "from memory" in (rule or ""))
        if line.confidence == "P":
            assert line.source.startswith("common practice, no source")


def test_a_set_that_takes_over_another_is_no_surer_and_says_so() -> None:
    new = {line.id: line for line in load_criteria("iso5817-2023-c").lines}
    assert new["1.7-undercut"].confidence == "B"
    assert new["1.22-stray-arc"].confidence == "C"
    assert new["1.7-undercut"].source == "ISO 5817:2023, unchanged from ISO 5817:2014, Table 1, 1.7"
    assert new["1.3-pore-fillet"].source == "ISO 5817:2023, Table 1, 1.3"


def test_the_table_prints_each_column_as_the_standard_does() -> None:
    metric = {row.id: row for row in criteria_table(load_criteria("aws-d1.1-static"))}
    inches = {row.id: row for row in criteria_table(load_criteria("aws-d1.1-static"), "in")}
    assert metric["7a-undercut"].limit == "h ≤ 1 mm; h ≤ 2 mm over at most 50 mm in any 300 mm"
    assert inches["7a-undercut"].limit == "h ≤ 1/32 in; h ≤ 1/16 in over at most 2 in in any 12 in"
    assert metric["6-undersize-large"].limit == "h ≤ 3 mm over at most 10 % of the weld's length, none elsewhere"
    assert (metric["6-undersize-large"].when, metric["2-fusion"].joints) == ("z ≥ 8 mm", "every joint")
    short = {row.id: row for row in criteria_table(load_criteria("iso5817-2014-c"))}["1.14-underfill"].limit
    assert short == "h ≤ min(0.1 t, 1) mm over at most 25 mm in any 100 mm (25 % of a shorter weld), none elsewhere"
    iso = {row.id: row for row in criteria_table(load_criteria("iso5817-2014-c"), "in", thickness=8)}
    assert iso["1.7-undercut"].limit == "h ≤ min(0.1 t, 0.5) mm = 0.02 in"
    assert "1.7-undercut-thin" not in iso  # 8 mm plate
    assert iso["1.6-root-penetration"].limit == "not visible from the face"


def test_the_names_in_limits_are_explained() -> None:
    meanings = " ".join(symbols(load_criteria("iso5817-2023-d")))
    assert "aA actual throat of a fillet" in meanings
    assert "z nominal leg" not in meanings  # no limit names it
    assert symbols(load_criteria("workmanship")) == ()


# A user's own


def test_a_set_of_ones_own_and_its_digest(tmp_path: Path) -> None:
    criteria = load_criteria(own(tmp_path))
    assert (criteria.id, criteria.base) == ("our-shop", None)
    assert criteria.digest == hashlib.sha256(OWN.encode()).hexdigest()
    assert criteria.lines[0].source == "shop rule 7, sheet 2"


def test_a_changed_copy_lists_its_differences(tmp_path: Path) -> None:
    text = """\
id = "our-c"
title = "Our C"
edition = "1"
standard = "shop rule 8"
base = "iso5817-2014-c"

[[line]]
id = "1.7-undercut"
limit = "h <= 0.3"
source = "sheet 3"
confidence = "A"

[[line]]
id = "1.23-spatter"
remove = true

[[line]]
id = "toes"
imperfection = "Ragged toe"
of = "edge_deviation"
limit = "e <= 0.4"
evidence = "plan"
source = "sheet 3"
confidence = "A"
"""
    base = load_criteria("iso5817-2014-c")
    criteria = load_criteria(own(tmp_path, text))
    assert criteria.base == base.id
    assert set(differences(criteria, base)) == {
        "1.7-undercut: limit h <= min(0.1*t, 0.5) became h <= 0.3",
        "1.23-spatter: left out",
        "toes: added, e <= 0.4",
    }
    assert differences(base, base) == ()
    assert criteria.digest not in (base.digest, hashlib.sha256(text.encode()).hexdigest())
    kept = {line.id: line for line in criteria.lines}
    assert kept["1.9-excess-weld-metal"] == next(x for x in base.lines if x.id == "1.9-excess-weld-metal")
    assert kept["1.7-undercut"].when == "t > 3"


def test_a_new_limit_drops_the_length_rule_and_inch_column_of_the_old_one(tmp_path: Path) -> None:
    text = OWN.replace('standard = "shop rule 7"', 'standard = "shop rule 7"\nbase = "aws-d1.1-static"').replace(
        'id = "undercut"', 'id = "7a-undercut"'
    )
    line = next(x for x in load_criteria(own(tmp_path, text)).lines if x.id == "7a-undercut")
    assert line.per_length is None
    assert line.us is None


def test_every_shipped_file_loads_as_a_users_copy(tmp_path: Path) -> None:
    from importlib.resources import files

    for name in ("workmanship", "api-1104", "asme-b31.3-normal", "welder-test-plate"):
        path = tmp_path / "copy.toml"
        path.write_bytes((files("toeline") / "data" / "criteria" / f"{name}.toml").read_bytes())
        assert load_criteria(path) == load_criteria(name)


@pytest.mark.parametrize("base", list_criteria(), ids=lambda criteria: criteria.id)
def test_a_copy_to_edit_says_the_same_until_it_is_changed(tmp_path: Path, base: Criteria) -> None:
    text = own_copy(base)
    same = load_criteria(own(tmp_path, text))
    assert (same.base, same.lines, differences(same, base)) == (base.id, base.lines, ())
    assert not is_shipped(same)
    every = text.replace("# [[line]]", "[[line]]").replace('# id = "', 'id = "')
    every = "\n".join(
        x[2:] if x.startswith(("# limit", "# per_length", "# source", "# conf")) else x for x in every.splitlines()
    )
    edited = load_criteria(own(tmp_path, every))
    assert [(x.id, x.limit, x.per_length) for x in edited.lines] == [(x.id, x.limit, x.per_length) for x in base.lines]


def test_a_changed_set_cannot_go_by_a_shipped_name(tmp_path: Path) -> None:
    with pytest.raises(CriteriaError, match="line 2: 'workmanship' is the id of a shipped set"):
        load_criteria(own(tmp_path, OWN.replace('"our-shop"', '"workmanship"')))


@pytest.mark.parametrize(
    ("old", "new", "line", "says"),
    [
        ('"h <= min(0.1*t, 0.3)"', '"h <= min(0.1*q, 0.3)"', 11, "uses 'q'"),
        ('"h <= min(0.1*t, 0.3)"', '"d <= 0.3"', 11, "is written 'h'"),
        ('"h <= min(0.1*t, 0.3)"', '"h < 0.3"', 11, "neither"),
        ('"h <= min(0.1*t, 0.3)"', '"h <= __import__(1, 2)"', 11, "more than numbers"),
        ('"h <= min(0.1*t, 0.3)"', "0.3", 11, "string"),
        ('"undercut_depth"', '"undercut"', 10, "is no quantity"),
        ('"both"', '"guess"', 12, "'evidence'"),
        ('"A"\n', '"sure"\n', 14, "'confidence'"),
        ('confidence = "A"\n', "", 7, "'confidence'"),
        ('"both"', '"both"\nwhen = "t"', 13, "not a comparison"),
        ('"both"', '"both"\nlimits = "h <= 1"', 13, "'limits' is not a key"),
        ('"both"', '"both"\nper_length = { length = "50" }', 13, "per_length"),
        ('"both"', '"both"\nonly_if = "wet"', 13, "wet"),
        ('"both"', '"both"\njoints = ["pipe"]', 13, "'joints'"),
        ('"both"', '"both"\nshort = true', 13, "\\[short\\]"),
        ('id = "undercut"', 'id = "Under Cut"', 8, "'id'"),
        ('edition = "2026-1"', 'edition = "2026-1"\ncolour = "red"', 5, "'colour' is not a key"),
        ('edition = "2026-1"\n', "", 1, "edition"),
        ('standard = "shop rule 7"', 'standard = "shop rule 7"\nbase = "iso5817-2014-z"', 6, "not one of the shipped"),
        ('standard = "shop rule 7"', 'standard = "shop rule 7"\ncolumns = ["A", "B"]', 6, "one column"),
        ('standard = "shop rule 7"', 'standard = "shop rule 7"\nscope = "t"', 6, "not a comparison"),
        ('id = "undercut"\nimp', 'id = "undercut"\nremove = true\nimp', 9, "no line 'undercut' to remove"),
    ],
)
def test_nonsense_is_refused_with_file_and_line(tmp_path: Path, old: str, new: str, line: int, says: str) -> None:
    assert OWN.count(old) == 1
    with pytest.raises(CriteriaError, match=says) as refused:
        load_criteria(own(tmp_path, OWN.replace(old, new)))
    assert str(refused.value).startswith(f"own.toml, line {line}: ")
    assert "\n" not in str(refused.value)


def test_files_that_are_no_criteria_at_all(tmp_path: Path) -> None:
    with pytest.raises(CriteriaError, match=r"own\.toml.*line 3"):
        load_criteria(own(tmp_path, OWN.replace('title = "Our shop"', "title = ")))
    path = tmp_path / "binary.toml"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(CriteriaError, match=r"binary\.toml"):
        load_criteria(path)
    with pytest.raises(CriteriaError, match=r"no criteria set 'nothing'.*iso5817-2014-b"):
        load_criteria("nothing")
    with pytest.raises(CriteriaError, match="no criteria set"):
        load_criteria(tmp_path)
    twice = OWN + OWN[OWN.index("[[line]]") :]
    with pytest.raises(CriteriaError, match="line 16: the id 'undercut' is used twice"):
        load_criteria(own(tmp_path, twice))
    with pytest.raises(CriteriaError, match="line"):
        load_criteria(own(tmp_path, OWN[: OWN.index("[[line]]")]))
    with pytest.raises(CriteriaError, match=r"\[\[line\]\]"):
        load_criteria(own(tmp_path, OWN.replace("[[line]]", "[line]")))
