"""The demo: its home, and its run through real brokers on a small stream."""

import json
from pathlib import Path

import pytest
from cli_home import stream_lines

from drymon.cli import demo, demo_broker
from drymon.cli.demo_run import play
from drymon.errors import StreamError
from drymon.messages.coat_models import load_models
from drymon.messages.config import load_home
from drymon.messages.streams import read_stream
from drymon.service.pipeline import Pipeline
from drymon.store import Store


@pytest.fixture
def stream(tmp_path: Path) -> Path:
    file = tmp_path / "small.jsonl"
    file.write_text("\n".join(stream_lines(2)) + "\n", encoding="utf-8")
    return file


@pytest.mark.parametrize("embedded", [False, True])
def test_through_a_broker_comes_what_replay_says(embedded: bool, home: Path, stream: Path, monkeypatch):
    if embedded:
        monkeypatch.setattr(demo_broker.shutil, "which", lambda name: None)
    config, heard = load_home(home), []
    with Store.open(home / "drymon.db") as store, demo_broker.demo_broker(home) as (broker, name):
        pipeline = Pipeline(config, load_models(home), store)
        count = play(config, pipeline, read_stream([stream]), broker, heard.append)
    with Store.open(home / "other.db") as store:
        messages = list(read_stream([stream]))
        said = Pipeline(config, load_models(home), store).batch(messages, messages[-1].arrived)
    assert count == len(messages)
    assert name in (("the embedded broker",) if embedded else ("mosquitto", "the embedded broker"))
    tree = [json.loads(m.payload) for m in heard if m.topic == "drymon/shop/out/tree/t-7"]
    assert tree == [json.loads(m.payload) for m in said if m.topic == "drymon/shop/out/tree/t-7"]
    assert len(tree) > 10
    assert [m.topic for m in heard if "/log/" in m.topic] == ["drymon/shop/log/dip"]


def test_a_stream_that_breaks_off_is_said_and_ends_the_run(home: Path, stream: Path):
    with stream.open("a", encoding="utf-8") as file:
        file.write("no message\n")
    config = load_home(home)
    with (
        Store.open(home / "drymon.db") as store,
        demo_broker.demo_broker(home) as (broker, _),
        pytest.raises(StreamError, match="line"),
    ):
        play(config, Pipeline(config, load_models(home), store), read_stream([stream]), broker, lambda _: None)


def test_the_demo_makes_its_home_again_but_touches_no_other(tmp_path: Path, home: Path):
    folder = tmp_path / "demo"
    assert demo.make_demo_home(folder).room.racks
    (folder / "drymon.db").write_bytes(b"old")
    assert demo.make_demo_home(folder).path == folder
    assert not (folder / "drymon.db").exists()
    with pytest.raises(ValueError, match="is not empty and no demo's home"):
        demo.make_demo_home(home)
    assert (home / "room.toml").exists()
