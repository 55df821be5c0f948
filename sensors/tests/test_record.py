"""Records on disk: what comes back is what was written, or nothing."""

from __future__ import annotations

import json
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drymon_sensors.buffer.record import Record, decode, encode

JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53), 2**53)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner, max_size=3),
    max_leaves=5,
)


@given(st.integers(1, 2**62), st.lists(JSON, max_size=5))
def test_there_and_back(seq: int, content: list[object]) -> None:
    line = encode(seq, content)
    assert line.count(b"\n") == 1
    assert decode(line) == Record(seq, tuple(content))


def test_the_line_is_text_that_another_program_can_check() -> None:
    line = encode(7, ["rack-a/temperature", 21.48, None, 1000.5]).decode()
    checksum, _, body = line.strip().partition(" ")
    assert json.loads(body) == [7, "rack-a/temperature", 21.48, None, 1000.5]
    assert int(checksum, 16) == zlib.crc32(body.encode())


def test_no_single_byte_can_be_changed_unseen() -> None:
    line = encode(12, ["rack-a/humidity", 52.06, 1_930_200_000.25, 1000.0])
    for place in range(len(line)):
        for other in range(256):
            if other != line[place]:
                assert decode(line[:place] + bytes([other]) + line[place + 1 :]) is None


def test_no_beginning_and_no_end_of_a_line_is_a_line() -> None:
    line = encode(12, ["rack-a/humidity", 52.06])
    for place in range(1, len(line)):
        assert decode(line[:place]) is None
        assert decode(line[place:]) is None
    assert decode(b"") is None


def test_what_json_cannot_hold_is_no_record() -> None:
    with pytest.raises(ValueError, match="JSON"):
        encode(1, [float("nan")])
