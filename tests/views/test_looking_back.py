"""What waiting has cost, of coats whose calls and dips are known."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from drymon.messages.coat_models import load_models
from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.service.pipeline import Pipeline
from drymon.shop.facts.outcome import State
from drymon.store import Store
from drymon.views.looking_back import COLUMNS, HEADS, looking_back, table_of

ROOM = """
[room]
name = "shop"
timezone = "Europe/Lisbon"
[[rack]]
name = "rack-a"
label = "Rack A"
[[coat]]
name = "backup"
family = "backup"
longest_wait_h = 40
[[recipe]]
name = "standard"
coats = ["backup", "backup", "backup", "backup"]
"""
BEGIN = datetime(2031, 3, 3, 6, 0, tzinfo=UTC)
"""A Monday."""
DIPS_H = {"early": (1.0, 3.0), "patient": (1.0, 31.0), "late": (1.0, 46.0)}
"""Hours of each tree's dips: one before it is called, one after hours of waiting, one past its longest wait."""


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("looking-back")
    (folder / "room.toml").write_text(ROOM, encoding="utf-8")
    with Store.open(folder / "drymon.db") as store:
        Pipeline(load_home(folder), load_models(None), store).batch(said(), BEGIN + timedelta(hours=48))
    return folder


def said() -> list[Message]:
    messages = []
    for minute in range(48 * 60):
        now = BEGIN + timedelta(minutes=minute)
        for quantity, value in (("temperature", "22.0"), ("humidity", "45.0"), ("airflow", "1.0")):
            messages.append(Message(now, f"drymon/shop/rack-a/{quantity}", value.encode()))
        for tree, hours in DIPS_H.items():
            if minute / 60 in hours:
                dip = {"tree": tree, "rack": "rack-a", "coat": "backup", "shelter": "open"}
                messages.append(Message(now, "drymon/shop/log/dip", json.dumps(dip).encode()))
    return messages


def test_each_coat_that_was_dipped_on_is_counted_with_what_it_cost(home: Path) -> None:
    end = BEGIN + timedelta(hours=48)
    with Store.open(home / "drymon.db", readonly=True) as store:
        told = looking_back(store, BEGIN, end, ZoneInfo("Europe/Lisbon"))
        called = {
            tree: next(one.time for one in store.verdict_history(tree) if one.state is State.READY)
            for tree in ("patient", "late")
        }
    assert list(told.columns) == list(COLUMNS)
    (row,) = told.to_dict("records")
    assert (row["week"], row["rack"], row["dips"]) == ("2031-03-03", "rack-a", 3)
    assert (row["too_early"], row["overrun"]) == (1, 1)  # past its longest wait a tree is held, not drying
    waited = BEGIN + timedelta(hours=31) - called["patient"]
    assert row["hung_ready_h"] == pytest.approx(waited / timedelta(hours=1), abs=0.1)
    assert row["longest_h"] == row["hung_ready_h"]


def test_time_in_which_nothing_was_dipped_on_is_told_so(home: Path) -> None:
    room = load_home(home).room
    with Store.open(home / "drymon.db", readonly=True) as store:
        none = looking_back(store, BEGIN + timedelta(hours=47), BEGIN + timedelta(hours=48), ZoneInfo("UTC"))
        told = looking_back(store, BEGIN, BEGIN + timedelta(hours=48), ZoneInfo("UTC"))
    assert none.empty
    assert table_of(none, room) == "no coat was dipped on in that time\n"
    head, line = table_of(told, room).splitlines()
    assert all(word in head for word in HEADS)
    assert "Rack A" in line
