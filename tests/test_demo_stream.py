"""The demonstration streams are what their README says, and their programs still make them, byte for byte."""

import gzip
import json
import re
import sys
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from drymon.cli.demo import WEEK, WEEK_ROOM, make_demo_home
from drymon.errors import RefusedMessage
from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.messages.parse import Parser
from drymon.messages.streams import read_stream

ROOT = Path(__file__).resolve().parent.parent
FOLDER = ROOT / "demo_streams"
STREAM, SECOND = FOLDER / "three-days.jsonl.gz", FOLDER / "second-week.jsonl.gz"
HYGROMETER = "drymon/lindenhof/rack-b/humidity"

if not STREAM.is_file():
    pytest.skip("the demonstration stream's folder is not here", allow_module_level=True)


@pytest.fixture(scope="module")
def messages() -> list[Message]:
    return list(read_stream([STREAM]))


@pytest.fixture(scope="module")
def dips(messages: list[Message]) -> list[dict[str, object]]:
    return [json.loads(m.payload) for m in messages if m.topic.endswith("/log/dip")]


def test_is_small_enough_to_ship_and_plain_json_lines() -> None:
    assert STREAM.stat().st_size < 1_500_000
    times = []
    for line in gzip.decompress(STREAM.read_bytes()).decode().splitlines():
        fields = json.loads(line)
        assert set(fields) == {"time", "topic", "payload"}
        times.append(datetime.fromisoformat(fields["time"]))
    assert times == sorted(times)
    assert times[-1] - times[0] > timedelta(hours=71)


def test_shows_two_racks_eight_trees_and_every_kind_of_coat(dips: list[dict[str, object]]) -> None:
    real = [dip for dip in dips if dip["rack"] != "rack-z"]
    assert {dip["rack"] for dip in real} == {"rack-a", "rack-b"}
    assert len({dip["tree"] for dip in real}) == 8
    assert {dip["coat"] for dip in real} == {"prime-first", "prime-fine", "slurry-only-first", "backup", "seal"}
    assert {dip.get("shelter") for dip in real} >= {"open", "pocketed", "deep"}


def test_tells_of_a_shell_begun_elsewhere_and_of_a_hook_scale(dips: list[dict[str, object]]) -> None:
    first: dict[object, dict[str, object]] = {}
    for dip in dips:
        first.setdefault(dip["tree"], dip)
    assert [dip["tree"] for dip in first.values() if dip.get("number") == 5] == ["frame"]
    assert [dip["tree"] for dip in first.values() if "cell" in dip] == ["leaves-1"]


def test_hygrometer_of_rack_b_is_silent_for_four_hours(messages: list[Message]) -> None:
    times = [m.arrived for m in messages if m.topic == HYGROMETER]
    gaps = [(after - before, before) for before, after in pairwise(times)]
    longest, since = max(gaps)
    assert timedelta(hours=4) < longest < timedelta(hours=4, minutes=30)
    assert since.replace(second=0) == datetime(2031, 5, 13, 7, 58, tzinfo=UTC)  # 10:00 in Vienna
    assert max(gap for gap, before in gaps if before != since) < timedelta(minutes=2, seconds=30)


def test_second_night_is_damp_and_its_fans_stand_still(messages: list[Message]) -> None:
    night = (datetime(2031, 5, 13, 19, tzinfo=UTC), datetime(2031, 5, 14, 4, tzinfo=UTC))

    def readings(quantity: str) -> list[float]:
        topic = f"drymon/lindenhof/rack-a/{quantity}"
        return [float(m.payload) for m in messages if m.topic == topic and night[0] < m.arrived < night[1]]

    assert min(readings("humidity")) > 70
    assert max(readings("airflow")) < 0.15


def test_room_is_accepted_and_all_but_two_messages_are_understood(messages: list[Message], tmp_path: Path) -> None:
    (tmp_path / "room.toml").write_bytes((FOLDER / "room.toml").read_bytes())
    parser, refused = Parser(load_home(tmp_path)), []
    for message in messages:
        try:
            parsed = parser.parse(message)
        except RefusedMessage:
            refused.append(message.topic)
        else:
            assert parsed.items, message
    assert refused == ["drymon/lindenhof/rack-a/temperature", "drymon/lindenhof/log/dip"]


def test_all_trees_have_left_before_the_second_week(messages: list[Message], dips: list[dict[str, object]]) -> None:
    """Four days without a word lie between: whoever hung there would have dried unseen."""
    left = {json.loads(m.payload)["tree"] for m in messages if m.topic.endswith("/log/leave")}
    assert left == {dip["tree"] for dip in dips if dip["rack"] != "rack-z"}
    later = list(read_stream([SECOND]))
    assert timedelta(days=3) < later[0].arrived - messages[-1].arrived < timedelta(days=5)
    assert (later[0].arrived.weekday(), messages[0].arrived.weekday()) == (0, 0)


def test_the_second_week_has_the_same_coats_and_the_same_air_and_weighs_nothing(messages: list[Message]) -> None:
    later = list(read_stream([SECOND]))
    first, second = (
        {json.loads(m.payload)["coat"] for m in one if m.topic.endswith("/log/dip")} for one in (messages, later)
    )
    assert second == first - {"slurry-only-first"}
    assert not any(m.topic.endswith(("/log/weigh", "/log/felt")) for m in later)
    grams = [json.loads(m.payload)["value"] for m in later if m.topic.endswith("/weight/cell-1")]
    assert grams
    assert max(map(abs, grams)) < 2  # the hook hangs empty

    def damp(one: list[Message]) -> float:
        values = [float(m.payload) for m in one if m.topic == "drymon/lindenhof/rack-a/humidity"]
        return sum(values) / len(values)

    assert abs(damp(later) - damp(messages)) < 5


def test_the_week_is_understood_by_its_room_and_has_a_weekend_and_a_slurry_that_thickens(tmp_path: Path) -> None:
    config = make_demo_home(tmp_path, WEEK_ROOM)
    parser, week = Parser(config), list(read_stream([FOLDER / WEEK]))
    assert all(parser.parse(message).items for message in week)
    assert timedelta(days=6, hours=23) < week[-1].arrived - week[0].arrived < timedelta(days=7)
    said = [message.arrived.astimezone(ZoneInfo(config.room.timezone)) for message in week if "/log/" in message.topic]
    assert {moment.weekday() for moment in said} == {0, 1, 2, 3, 4}, "nobody is there at the weekend"
    assert set(config.room.hours.days) == {0, 1, 2, 3, 4}
    assert all(
        config.room.hours.begin_min <= 60 * moment.hour + moment.minute < config.room.hours.end_min for moment in said
    )
    checks = [json.loads(message.payload) for message in week if message.topic.endswith("/log/slurry")]
    low, high = config.room.tank_by_name["backup-tank"].seconds
    before, thick, after = checks[2], checks[3], checks[4]
    assert low <= before["seconds"] <= high < thick["seconds"]
    assert after["seconds"] <= high
    assert after["water_added"] > 0


def test_the_weeks_dips_are_those_of_its_diary() -> None:
    """The diary of make_week.py, read as text: the simulated foundry is not run for this."""
    listed = re.findall(r"^(\w{3} \d\d:\d\d)  dip +(\S+) +(\S+)", (FOLDER / "make_week.py").read_text(), re.MULTILINE)
    dips = []
    for message in read_stream([FOLDER / WEEK]):
        if message.topic.endswith("/log/dip"):
            said, local = json.loads(message.payload), message.arrived.astimezone(ZoneInfo("Europe/Vienna"))
            dips.append((f"{local:%a %H:%M}".lower(), said["tree"], said["coat"]))
    assert dips == listed
    assert len(dips) == 5 * 6, "five shells of six coats"


@pytest.mark.frozen
def test_its_programs_make_the_same_files_again(tmp_path: Path) -> None:
    if not (ROOT / "benchmarks" / "accuracy").is_dir():
        pytest.skip("the simulated foundry lives in the checkout only")
    pytest.importorskip("pvlib", reason="the simulated weather comes from pvlib")
    sys.path[:0] = [str(ROOT), str(FOLDER)]
    import make_second_week
    import make_shop

    later, rooms = make_second_week.make()
    later.write(tmp_path / "later.jsonl")
    assert (tmp_path / "later.jsonl").read_bytes() == gzip.decompress(SECOND.read_bytes())
    for dip in rooms.dips:  # people went by what was said: each coat that was dipped over was truly dry
        if dip.end is not None:
            assert dip.gone[-1] >= 0.95, (dip.tree, dip.number)
    again, foundry = make_shop.make()
    again.write(tmp_path / "again.jsonl")
    assert (tmp_path / "again.jsonl").read_bytes() == gzip.decompress(STREAM.read_bytes())
    early = next(d for d in foundry.dips if d.tree == "bust" and d.number == 2)
    assert early.gone[-1] < 0.9, "the tree that is dipped too soon must truly be wet"
