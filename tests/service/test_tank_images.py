"""What was said of tanks outlives a stop: the same words go out as from a room that never stopped."""

import json
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from drymon.messages.message import Message
from tests.service.random_streams import BEGIN
from tests.service.test_images import ROOM, Shops

TANK = '[[slurry]]\nname = "tank-1"\ncoats = ["backup"]\ncup = "iso-2431-4"\nseconds = [32, 38]\n'
MINUTES = 20


@pytest.fixture
def tanks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shops:
    """Homes of a room with a tank."""
    monkeypatch.setattr("tests.service.test_images.ROOM", ROOM + TANK)
    return Shops(tmp_path)


def message(minute: float, topic: str, content: object) -> Message:
    return Message(BEGIN + timedelta(minutes=minute), f"drymon/shop/{topic}", json.dumps(content).encode(), qos=1)


def stream() -> Iterator[Message]:
    """Air by the minute, a dip, a tank found thick, another tree dipped in it, the check taken back, another made."""
    for minute in range(MINUTES):
        yield message(minute, "rack-a/temperature", 22.0)
        yield message(minute, "rack-a/humidity", 35.0)
        yield message(minute, "rack-a/airflow", 2.0)
        if minute == 2:
            dip = {"tree": "t-1", "rack": "rack-a", "coat": "prime-first", "shelter": "open", "recipe": "standard"}
            yield message(2.1, "log/dip", {**dip, "id": "d-1"})
        if minute == 5:
            yield message(5.1, "log/slurry", {"slurry": "tank-1", "seconds": 41, "id": "s-1"})
        if minute == 7:
            dip = {"tree": "t-2", "rack": "rack-a", "coat": "backup", "shelter": "open"}
            yield message(7.1, "log/dip", {**dip, "id": "d-2"})
        if minute == 10:
            yield message(10.1, "log/undo", {"slurry": "tank-1", "id": "u-1"})
        if minute == 15:
            yield message(15.1, "log/slurry", {"slurry": "tank-1", "seconds": 35, "id": "s-2"})


def notes(said: list[Message]) -> list[str]:
    """Of the next backup coat, in every plan that was said."""
    plans = [json.loads(one.payload) for one in said if one.topic.endswith("out/plan")]
    return [dip.get("note", "") for plan in plans for dip in plan["next"][:1]]


@pytest.mark.parametrize("cut_at", [7, 12])
def test_the_tank_s_word_goes_on_over_a_stop(tanks: Shops, cut_at: int) -> None:
    whole, cut, told = tanks.new(), tanks.new(), list[str]()
    for minute in range(MINUTES):
        begin, end = (BEGIN + timedelta(minutes=each) for each in (minute, minute + 1))
        some = [one for one in stream() if begin <= one.arrived < end]
        said = whole.batch(some, end)
        assert cut.batch(some, end) == said
        told += notes(said)
        if minute == cut_at:
            assert cut.keep_image()
            cut = tanks.again(cut.store)
            cut.batch([], end)
            assert tanks.image(cut) == tanks.image(whole)
    thick = "slurry tank-1 is out of band: 41 s, thicker than 32 to 38 s"
    unchecked = "slurry tank-1 has not been checked: check it first"
    assert list(dict.fromkeys(told)) == [unchecked, thick, ""]
    assert told.count(unchecked) > 1
    for pipeline in (whole, cut):
        pipeline.store.close()
