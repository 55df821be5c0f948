"""The last value that a limit lets in, and the first that it does not."""

import json
from datetime import UTC, datetime
from typing import Annotated

import pytest
from pydantic import TypeAdapter, ValidationError

from drymon.errors import RefusedMessage
from drymon.messages import senml
from drymon.messages.fields import above_zero, between
from drymon.messages.parse import Parser
from drymon.messages.payload import boot_text

NOON = datetime(2031, 3, 3, 12, 0, tzinfo=UTC)


def limited(limit):
    return TypeAdapter(Annotated[float, limit]).validate_python


@pytest.mark.parametrize("value", [-430.0, 0.0, 9000.0])
def test_both_ends_of_a_range_are_in_it(value) -> None:
    assert limited(between(-430, 9000))(value) == value


@pytest.mark.parametrize(
    ("limit", "value"), [(between(-430, 9000), -431.0), (between(-430, 9000), 9001.0), (above_zero(5), 0.0)]
)
def test_what_lies_beyond_is_refused(limit, value) -> None:
    with pytest.raises(ValidationError):
        limited(limit)(value)


def test_a_pack_may_be_as_long_as_is_said_and_no_longer() -> None:
    """2000 records, as the interface's page says."""
    record = {"n": "node-8/temperature", "u": "Cel", "v": 21.3}
    assert len(senml.resolve([record] * 2000, NOON).records) == 2000
    with pytest.raises(ValueError, match="received 2001 records; allowed are at most 2000"):
        senml.resolve([record] * 2001, NOON)


def test_numbers_of_a_node_go_as_far_as_a_database_counts(config, heard) -> None:
    """2^63 - 1 is the largest whole number of SQLite's INTEGER."""
    largest = 9223372036854775807
    assert boot_text(largest) == str(largest)
    said = {"value": 21.0, "device": "n-1", "boot": 1, "seq": largest}
    parser = Parser(config)
    (reading,) = parser.parse(heard("drymon/shop/rack-a/temperature", json.dumps(said))).items
    assert reading.seq == largest
    with pytest.raises(RefusedMessage, match="allowed is a whole number"):
        parser.parse(heard("drymon/shop/rack-a/temperature", json.dumps({**said, "seq": largest + 1})))
