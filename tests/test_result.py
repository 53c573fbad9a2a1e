"""The result document: its own schema, what it refuses, and that stored documents stay readable."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

import invented
from toeline.result import SCHEMA, Quantity, Result, unknown

STORED = Path(__file__).parent / "data" / "result-1.json"
DOCUMENT = Result.model_json_schema(by_alias=True, mode="serialization")


def test_a_stored_document_of_this_format_loads_and_says_the_same():
    stored = json.loads(STORED.read_text("utf-8"))
    result = Result.model_validate(stored)
    assert result.bead.found
    assert result.measures["width_mean"].known
    again = json.loads(result.to_json())
    assert kept(stored, again) == stored  # a newer version may add keys, never lose or change one


def kept(stored, again):
    """What ``again`` has of a stored document: the same, less the keys that were added."""
    if isinstance(stored, dict) and isinstance(again, dict):
        return {key: kept(value, again[key]) for key, value in stored.items() if key in again}
    if isinstance(stored, list) and isinstance(again, list) and len(stored) == len(again):
        return [kept(*pair) for pair in zip(stored, again, strict=True)]
    return again


@pytest.mark.parametrize("text", [STORED.read_text("utf-8"), invented.result().to_json()], ids=["stored", "invented"])
def test_documents_fit_their_own_schema(text):
    jsonschema.Draft202012Validator.check_schema(DOCUMENT)
    document = json.loads(text)
    jsonschema.Draft202012Validator(DOCUMENT).validate(document)
    assert document["schema"] == SCHEMA
    document["measures"]["length"]["value"] = "long"
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(DOCUMENT).validate(document)


def test_contract_keys_are_spelt_as_agreed():
    document = json.loads(invented.result().to_json())
    assert {
        "schema", "photo", "scale", "bead", "measures", "indications", "judgement", "causes", "causes_why", "settings",
        "timing_ms", "versions",
    } <= document.keys()  # fmt: skip
    assert {"kind", "iso6520", "side", "from", "to", "size", "at", "confidence", "why"} <= document["indications"][
        0
    ].keys()
    assert {"s", "toe_confidence", "leg_base", "leg_upright", "throat", "throat_U"} <= document["bead"].keys()
    assert {"cause", "likelihood", "evidence", "against", "try"} <= document["causes"][0].keys()


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), -float("inf")])
def test_what_is_not_a_number_is_refused(bad):
    with pytest.raises(ValidationError):
        Quantity(value=bad, U=0.1)


def test_unknown_carries_its_reason_and_no_number():
    quantity = unknown("no reference card was found")
    assert quantity.value is None
    assert not quantity.known
    assert quantity.why


def test_unknown_keys_and_changes_are_refused():
    result = invented.result()
    with pytest.raises(ValidationError):
        Result.model_validate(json.loads(result.to_json()) | {"extra": 1})
    with pytest.raises(ValidationError):
        result.photo = result.photo  # type: ignore[misc]


@settings(max_examples=50)
@given(st.floats(-1e6, 1e6), st.floats(0, 1e6), st.sampled_from(["mm", "deg", "1"]))
def test_quantities_survive_the_file(value, spread, unit):
    quantity = Quantity(value=value, U=spread, unit=unit)
    assert Quantity.model_validate_json(quantity.model_dump_json()) == quantity
