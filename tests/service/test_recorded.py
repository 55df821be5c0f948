"""A quantity that no verdict rests on: recorded, said and held against its band; no tree is told otherwise for it."""

import json
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path

from drymon.messages.coat_models import load_models
from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.service.pipeline import Pipeline
from drymon.store.store import Store

BEGIN = datetime(2031, 3, 3, 6, tzinfo=UTC)
ROOM = """
[room]
name = "shop"
[[rack]]
name = "rack-a"
[[coat]]
name = "backup"
family = "backup"
room = { humidity_pct = [30, 60], co2_ppm = [300, 1500] }
"""

Said = list[tuple[str, Mapping[str, object]]]


def told(minute: float, tail: str, payload: object) -> Message:
    return Message(BEGIN + timedelta(minutes=minute), f"drymon/shop/{tail}", json.dumps(payload).encode())


def two_hours(co2: bool) -> list[Message]:
    """A rack's air with a tree in it; CO2 rises from 600 ppm by 10 ppm a minute."""
    messages = [told(0.5, "log/dip", {"tree": "t-1", "coat": "backup", "rack": "rack-a", "number": 1})]
    for minute in range(121):
        messages.append(told(minute, "rack-a/temperature", 22 + minute % 7 / 20))
        messages.append(told(minute + 0.1, "rack-a/humidity", 44 + minute % 5 / 10))
        if co2:
            messages.append(told(minute + 0.2, "rack-a/co2", {"value": (600 + 10 * minute) / 1e4, "unit": "%"}))
    return sorted(messages, key=lambda message: message.arrived)


def said(home: Path, co2: bool) -> Said:
    home.mkdir()
    (home / "room.toml").write_text(ROOM, "utf-8")
    config = load_home(home)
    with Store.open(home / "drymon.sqlite") as store:
        out = Pipeline(config, load_models(home), store).batch(two_hours(co2))
    return [(message.topic.removeprefix("drymon/shop/"), json.loads(message.payload)) for message in out]


def of(said: Said, topic: str) -> list[Mapping[str, object]]:
    return [content for name, content in said if name.startswith(topic)]


def test_what_is_said_of_a_tree_is_the_same_with_a_quantity_that_no_verdict_rests_on(tmp_path: Path) -> None:
    without, beside = said(tmp_path / "without", False), said(tmp_path / "beside", True)
    assert {one["state"] for one in of(without, "out/tree")} == {"drying"}
    assert of(beside, "out/tree") == of(without, "out/tree")


def test_a_rack_says_it_where_a_sensor_does_and_only_there(tmp_path: Path) -> None:
    air = [content["air"] for content in of(said(tmp_path / "beside", True), "out/rack")]
    assert air[-1]["co2_ppm"] == 1790  # the last whole minute, the 119th
    assert all("co2_ppm" not in content["air"] for content in of(said(tmp_path / "without", False), "out/rack"))


def test_out_of_its_band_it_is_an_alarm_that_says_to_open_up(tmp_path: Path) -> None:
    (alert,) = [one for one in of(said(tmp_path / "beside", True), "out/alert") if one["kind"] == "air-out-of-band"]
    assert str(alert["text"]).startswith("The CO2 at rack-a is 16")
    assert "above the 300 to 1500 ppm asked for while backup dries" in alert["text"]
    assert "Open up: people work here." in alert["text"]
