"""Recorded streams: written, read, merged, and refused with file and line."""

import gzip
import json
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drymon.errors import StreamError
from drymon.messages.message import Message
from drymon.messages.streams import StreamWriter, format_line, parse_line, read_stream

NOON = datetime(2031, 3, 3, 12, tzinfo=UTC)
EARLIEST = datetime(1900, 1, 1)  # noqa: DTZ001 - the strategy adds the zone
SOME = [
    Message(NOON, "drymon/shop/rack-a/temperature", b"21.5"),
    Message(
        NOON + timedelta(microseconds=1), "drymon/shop/log/dip", '{"by": "Zoë\u2028"}'.encode(), retain=True, qos=1
    ),
    Message(NOON + timedelta(seconds=1), "binary", b"\xff\x00"),
    Message(NOON + timedelta(seconds=1), "empty", b""),
]


def write(path, messages=SOME):
    with StreamWriter(path) as stream:
        for message in messages:
            stream.write(message)
    return path


@pytest.mark.parametrize("name", ["a.jsonl", "a.jsonl.gz"])
def test_round_trip(tmp_path, name) -> None:
    assert list(read_stream([write(tmp_path / name)])) == SOME


def test_the_wire_form(tmp_path) -> None:
    """The lines, read by the JSON library alone."""
    lines = [json.loads(line) for line in write(tmp_path / "a.jsonl").read_bytes().split(b"\n")[:-1]]
    assert lines[0] == {"time": "2031-03-03T12:00:00Z", "topic": "drymon/shop/rack-a/temperature", "payload": "21.5"}
    assert (lines[1]["retain"], lines[1]["qos"]) == (True, 1)
    assert lines[2]["payload_base64"] == "/wA="


def test_gzip_bytes_depend_on_the_messages_alone(tmp_path) -> None:
    (tmp_path / "elsewhere").mkdir()
    first, second = write(tmp_path / "a.jsonl.gz"), write(tmp_path / "elsewhere" / "b.jsonl.gz")
    assert first.read_bytes() == second.read_bytes()
    assert gzip.decompress(first.read_bytes()).count(b"\n") == len(SOME)


def test_missing_last_newline_blank_lines_and_other_line_ends(tmp_path) -> None:
    path = tmp_path / "a.jsonl"
    path.write_bytes(
        b"\r\n".join(format_line(message).encode() for message in SOME[:2]) + b"\n\n" + format_line(SOME[2]).encode()
    )
    assert list(read_stream([path])) == SOME[:3]


def test_gzip_is_told_by_content(tmp_path) -> None:
    path = tmp_path / "renamed.jsonl"
    path.write_bytes(write(tmp_path / "a.jsonl.gz").read_bytes())
    assert list(read_stream([path])) == SOME


def test_streams_are_merged_by_time(tmp_path) -> None:
    early, late = write(tmp_path / "a.jsonl", SOME[::2]), write(tmp_path / "b.jsonl", SOME[1::2])
    assert list(read_stream([early, late])) == [SOME[0], SOME[1], SOME[2], SOME[3]]


GOOD = '{"time": "2031-03-03T12:00:00Z", "topic": "a", "payload": "1"}'


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("not json", "JSON object"),
        ("[]", "JSON object"),
        ("[" * 100_000, "JSON object"),
        ('{"topic": "a", "payload": "1"}', "RFC 3339"),
        ('{"time": "2031-03-03T12:00:00", "topic": "a", "payload": "1"}', "RFC 3339"),
        ('{"time": "2031-03-03T12:00:00Z", "payload": "1"}', "topic"),
        ('{"time": "2031-03-03T12:00:00Z", "topic": "a\\u0000", "payload": "1"}', "U+0000"),
        ('{"time": "2031-03-03T12:00:00Z", "topic": "a"}', "exactly one"),
        ('{"time": "2031-03-03T12:00:00Z", "topic": "a", "payload": 1}', "in quotes"),
        ('{"time": "2031-03-03T12:00:00Z", "topic": "a", "payload": "\\ud800"}', "cannot be read"),
        ('{"time": "2031-03-03T12:00:00Z", "topic": "a", "payload_base64": "?"}', "cannot be read"),
        ('{"time": "2031-03-03T12:00:00Z", "topic": "a", "payload": "1", "qos": 3}', "0, 1 and 2"),
        ('{"time": "2031-03-03T12:00:00Z", "topic": "a", "payload": "1", "retain": "yes"}', "true or false"),
        ('{"time": "2031-03-03T12:00:00Z", "topic": "a", "payload": "1", "retian": true}', "retian"),
        ('{"time": "2031-03-03T11:59:59Z", "topic": "a", "payload": "1"}', "order of their times"),
    ],
)
def test_a_bad_line_is_named(tmp_path, line, told) -> None:
    path = tmp_path / "a.jsonl"
    path.write_text(f"{GOOD}\n\n{line}\n")
    with pytest.raises(StreamError, match=r"a\.jsonl, line 3: ") as caught:
        list(read_stream([path]))
    assert told in str(caught.value)


@pytest.mark.parametrize("content", [b"\x1f\x8b\x08garbage", b"\xff\xfe\x00"])
def test_damaged_files(tmp_path, content) -> None:
    path = tmp_path / "a.jsonl"
    path.write_bytes(content)
    with pytest.raises(StreamError, match=r"a\.jsonl"):
        list(read_stream([path]))


def test_a_cut_gzip_is_told_after_what_could_be_read(tmp_path) -> None:
    path = write(tmp_path / "a.jsonl.gz", SOME * 1)
    path.write_bytes(path.read_bytes()[:-12])
    with pytest.raises(StreamError, match="cannot be read"):
        list(read_stream([path]))


def test_files_that_are_not_there(tmp_path) -> None:
    with pytest.raises(StreamError, match="cannot be read"):
        list(read_stream([tmp_path / "none.jsonl"]))
    with pytest.raises(StreamError, match="cannot be written"):
        StreamWriter(tmp_path / "none" / "a.jsonl")


@given(
    payload=st.binary(max_size=200),
    topic=st.text(st.characters(exclude_categories=["Cs"], exclude_characters="+#\0"), min_size=1, max_size=30),
    time=st.datetimes(min_value=EARLIEST, timezones=st.just(UTC)),
    retain=st.booleans(),
    qos=st.sampled_from([0, 1, 2]),
)
def test_every_message_survives_its_line(payload, topic, time, retain, qos) -> None:
    message = Message(time, topic, payload, retain=retain, qos=qos)
    line = format_line(message)
    assert "\n" not in line
    assert parse_line(line) == message
