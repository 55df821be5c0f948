"""What a message can cost, however it is made: bounded work, bounded words. Work is counted, in calls."""

import json
import subprocess
import sys
from collections.abc import Callable

import pytest

from drymon.errors import RefusedMessage
from drymon.messages.complaints import as_written, gathered
from drymon.messages.message import Message
from drymon.messages.parse import Parsed, Parser
from drymon.messages.payload import MAX_BYTES
from tests.messages.conftest import ROOM

READING = "drymon/shop/rack-a/temperature"
PACK = "drymon/shop/rack-a/senml"


def filled(before: str, piece: str, after: str, size: int) -> str:
    """Of about this many bytes."""
    return before + piece * ((size - len(before) - len(after)) // len(piece)) + after


def keyed(first: str, size: int) -> str:
    """An object of many keys; each takes some 12 bytes."""
    return "{" + first + ",".join(f'"k{number:05}":1' for number in range(size // 12)) + "}"


MADE: dict[str, tuple[str, Callable[[int], str]]] = {
    "digits and a letter": (READING, lambda size: filled("", "1", "x", size)),
    "digits with a comma": (READING, lambda size: filled("", "1", ",1x", size)),
    "digits after the point": (READING, lambda size: filled("0.", "1", "x", size)),
    "digits in quotes": ("workshop/station", lambda size: filled('{"air": {"rh": "', "1", 'x"}}', size)),
    "keys beside a value": (READING, lambda size: keyed('"value": 1, ', size)),
    "keys in a weighing": ("drymon/shop/log/weigh", lambda size: keyed('"tree": "t-1", "mass": 2, ', size)),
    "keys in a dip": (
        "drymon/shop/log/dip",
        lambda size: keyed('"tree": "t-1", "rack": "rack-a", "coat": "backup", ', size),
    ),
    "empty records": (PACK, lambda size: filled("[{}", ",{}", "]", size)),
    "records under a long name": (
        PACK,
        lambda size: filled('[{"bn": "' + "a:" * (size // 4) + '", "v": 1}', ',{"v":1}', "]", size),
    ),
    "records of a long unit": (
        PACK,
        lambda size: filled('[{"bn": "temperature", "bu": "' + "a" * (size // 2) + '"}', ',{"v":1}', "]", size),
    ),
    "good records": (PACK, lambda size: filled("[{}", ',{"n":"temperature","v":1}', "]", size)),
    "lists in a list": (READING, lambda size: filled('{"value": [[]', ",[]", "]}", size)),
    "a deep list": (PACK, lambda size: "[" * size),
    "one long word": ("drymon/shop/log/look", lambda size: filled('{"tree": "', "a", '"}', size)),
    "long numbers": (READING, lambda size: '{"value": [' + ",".join(["1" * 4000] * (size // 4001)) + "]}"),
}


@pytest.fixture(scope="module")
def parser(config):
    return Parser(config)


def parsed(parser: Parser, message: Message) -> Parsed:
    """As the road does it."""
    try:
        return parser.parse(message)
    except RefusedMessage as refused:
        return parser.refused(message, str(refused))


def calls(work: Callable[[], object]) -> int:
    """How many functions are called on the way, those written in C as well; without what is made ready but once."""
    work()
    count = 0

    def note(frame: object, event: str, argument: object) -> None:
        nonlocal count
        count += event in ("call", "c_call")

    sys.setprofile(note)
    try:
        work()
    finally:
        sys.setprofile(None)
    return count


@pytest.mark.parametrize("made", MADE)
def test_work_grows_no_faster_than_the_message(parser, heard, made) -> None:
    topic, make = MADE[made]
    half, whole = (heard(topic, make(size)) for size in (MAX_BYTES // 4, MAX_BYTES // 2))
    assert calls(lambda: parsed(parser, whole)) <= 2.2 * calls(lambda: parsed(parser, half)) + 100


@pytest.mark.parametrize("made", MADE)
def test_the_largest_message_takes_less_than_three_hundred_thousand_calls(parser, heard, made) -> None:
    """A call is well below a microsecond, without the counting."""
    topic, make = MADE[made]
    message = heard(topic, make(MAX_BYTES))
    assert calls(lambda: parsed(parser, message)) < 300_000


@pytest.mark.parametrize("made", MADE)
def test_why_it_is_refused_is_said_in_few_words(parser, heard, made) -> None:
    topic, make = MADE[made]
    result = parsed(parser, heard(topic, make(MAX_BYTES)))
    assert len(gathered(result.refusals)) <= 1000


def test_no_pattern_is_searched_in_more_than_linear_time(tmp_path) -> None:
    """What a regular expression does cannot be counted, so a child has 20 s of processor for what takes far less than
    one; digits and a letter alone took minutes where a digit could be read by two parts of a pattern.
    """
    said = [{"topic": topic, "payload": make(MAX_BYTES)} for topic, make in MADE.values()]
    (tmp_path / "said.json").write_text(json.dumps(said))
    (tmp_path / "room.toml").write_text(ROOM)
    child = subprocess.run([sys.executable, "-c", CHILD, str(tmp_path)], check=False)
    assert child.returncode == 0


CHILD = """
import json, resource, sys
from datetime import UTC, datetime
from pathlib import Path
from drymon.errors import RefusedMessage
from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.messages.parse import Parser
resource.setrlimit(resource.RLIMIT_CPU, (20, 20))
home = Path(sys.argv[1])
parser = Parser(load_home(home))
for said in json.loads((home / "said.json").read_text()):
    message = Message(datetime(2031, 3, 3, tzinfo=UTC), said["topic"], said["payload"].encode())
    try:
        parser.parse(message)
    except RefusedMessage as refused:
        parser.refused(message, str(refused))
"""


def test_a_pack_of_too_many_records_is_refused_whole(parser, heard) -> None:
    pack = json.dumps([{"n": "temperature", "v": 21}] * 2001, separators=(",", ":"))
    (why,) = parsed(parser, heard(PACK, pack)).refusals
    assert "received 2001 records; allowed are at most 2000" in why


def test_a_pack_of_two_thousand_records_is_read(parser, heard) -> None:
    pack = json.dumps([{"n": "temperature", "v": 21}] * 2000, separators=(",", ":"))
    assert len(parsed(parser, heard(PACK, pack)).items) == 2000


def test_a_reading_with_a_hundred_keys_is_read_and_with_more_refused(parser, heard) -> None:
    fine = {"value": 21} | {f"k{number}": 1 for number in range(99)}
    assert [reading.value for reading in parsed(parser, heard(READING, json.dumps(fine))).items] == [21]
    (why,) = parsed(parser, heard(READING, json.dumps(fine | {"one-more": 1}))).refusals
    assert "received 101 keys; allowed are at most 100" in why


def test_a_dip_with_many_strange_keys_is_recorded_and_the_first_are_told_of(parser, heard) -> None:
    dip = {"tree": "t-1", "rack": "rack-a", "coat": "backup"} | {f"strange{number}": 1 for number in range(3000)}
    result = parsed(parser, heard("drymon/shop/log/dip", json.dumps(dip)))
    assert [event.tree for event in result.items] == ["t-1"]
    assert "strange0" in result.refusals[0]


def test_reasons_are_gathered_in_full_where_they_are_few() -> None:
    assert gathered(["this", "that"]) == "this; that"
    assert gathered([]) == ""


def test_many_reasons_are_counted_and_a_long_one_is_cut() -> None:
    many = gathered([f"SenML record {number}: value: received no value" for number in range(1, 2001)])
    assert many.startswith("SenML record 1: value")
    assert many.endswith("more of the kind")
    assert len(gathered(["x" * 100_000, "y"])) < 1000


@pytest.mark.parametrize(("length", "written"), [(78, 80), (79, 80), (500, 80)])
def test_a_long_value_is_told_by_its_beginning(length: int, written: int) -> None:
    """Two quotation marks come to it."""
    told = as_written("x" * length)
    assert len(told) == written
    assert told.endswith("...") is (length > 78)
