"""The message contract in shared/messages, its schema and its examples say what the code does."""

import json
import re
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.model.payload import MAX_PAYLOAD_BYTES, PASSED_ON_BYTES
from monitor.model.reading import Quantity
from monitor.mqtt.decode import decode
from monitor.mqtt.encode import encode_own
from monitor.mqtt.rejection import RejectionReason
from monitor.mqtt.units import CONVERSIONS, PAYLOAD_NAMES, QUANTITIES
from monitor.settings.reference import load_json, shared_folder
from tests.mqtt.yard import EVERYTHING, UNHURRIED, catalogue_with, sensor, topic

SCHEMA: dict[str, Any] = load_json("messages/own.schema.json")
EXAMPLES: dict[str, Any] = load_json("messages/examples.json")
CONTRACT = Path(shared_folder(), "messages", "README.md").read_text(encoding="utf-8")
MOSQUITTO = Path(__file__).parents[2] / "deploy" / "mosquitto" / "dryshift.conf"
VALIDATOR = jsonschema_rs.validator_for(SCHEMA)
CATALOGUE = catalogue_with(
    sensor("own", measures=EVERYTHING),
    sensor("senml", "senml", measures=EVERYTHING),
    sensor("number", "number"),
)


@pytest.mark.parametrize("case", EXAMPLES["cases"], ids=lambda case: case["title"])
def test_every_example_is_read_as_it_says(case: dict[str, Any]) -> None:
    arrived_s = EXAMPLES["arrived"]
    decoded = decode(topic(case["format"]), case["payload"].encode(), arrived_s, CATALOGUE)
    found = [
        [r.key.quantity.value, pytest.approx(r.value), r.time_s, r.time_from_device] for r in decoded.readings
    ]
    assert case["readings"] == found
    assert [rejection.reason.value for rejection in decoded.rejections] == case["reasons"]


@pytest.mark.parametrize("number", range(len(SCHEMA["examples"])))
def test_the_examples_of_the_schema_fit_it_and_are_read(number: int) -> None:
    example = SCHEMA["examples"][number]
    VALIDATOR.validate(example)
    decoded = decode(topic("own"), json.dumps(example).encode(), EXAMPLES["arrived"], CATALOGUE)
    assert len(decoded.readings) == len(example["quantities"])
    assert decoded.rejections == ()


# What a schema of shapes cannot know: numbers beyond the possible, and text that is not JSON.
SHAPED = [
    case
    for case in EXAMPLES["cases"]
    if case["format"] == "own" and not {"not_finite", "malformed"} & set(case["reasons"])
]


@pytest.mark.parametrize("case", SHAPED, ids=lambda case: case["title"])
def test_the_schema_refuses_what_the_decoder_refuses(case: dict[str, Any]) -> None:
    assert VALIDATOR.is_valid(json.loads(case["payload"])) == (set(case["reasons"]) <= {"impossible_value"})


def test_the_schema_lists_the_quantities_and_units_that_are_read() -> None:
    members = SCHEMA["properties"]["quantities"]["properties"]
    assert members.keys() == QUANTITIES.keys()
    for name, quantity in QUANTITIES.items():
        member = members[name]
        if "properties" not in member:
            member = SCHEMA["$defs"][member["$ref"].removeprefix("#/$defs/")]
        assert set(member["properties"]["unit"]["enum"]) == set(CONVERSIONS[quantity])


def test_the_contract_lists_every_reason_quantity_and_unit() -> None:
    rows = dict(re.findall(r"^\| `(\w+)` \| (.+?) \|$", CONTRACT, re.MULTILINE))
    assert {*(reason.value for reason in RejectionReason), "defect"} <= rows.keys()
    for quantity, name in PAYLOAD_NAMES.items():
        assert re.findall(r"`([^`]+)`", rows[name]) == sorted(CONVERSIONS[quantity], key=rows[name].index), (
            name
        )
        assert set(re.findall(r"`([^`]+)`", rows[name])) == set(CONVERSIONS[quantity])


@UNHURRIED
@given(
    st.dictionaries(st.sampled_from(sorted(PAYLOAD_NAMES)), st.floats(0.0, 1.0), min_size=1),
    st.none() | st.floats(0.0, 4e9),
    st.none() | st.integers(0, 2**63 - 1),
)
def test_whatever_the_encoder_writes_fits_the_schema(
    values: dict[Quantity, float], time_s: float | None, sequence: int | None
) -> None:
    VALIDATOR.validate(json.loads(encode_own(time_s, values, sequence)))


def test_brokers_intake_and_documents_have_one_largest_payload() -> None:
    told = f"{MAX_PAYLOAD_BYTES:_}".replace("_", " ")
    assert f"| `too_large` | more than {told} bytes |" in CONTRACT
    conf = MOSQUITTO.read_text(encoding="utf-8")
    assert f"message_size_limit {PASSED_ON_BYTES}\n" in conf
    assert PASSED_ON_BYTES > MAX_PAYLOAD_BYTES  # so that what is too large is seen, set aside and told
