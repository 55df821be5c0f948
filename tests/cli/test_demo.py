"""The demo: its home, and its run through real brokers on a small stream."""

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

from drymon.cli import demo, demo_broker
from drymon.cli.demo_run import play
from drymon.errors import StreamError
from drymon.messages.coat_models import load_models
from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.messages.streams import read_stream
from drymon.service.pipeline import Pipeline
from drymon.store import Store
from tests.cli.cli_home import stream_lines


@pytest.fixture
def stream(tmp_path: Path) -> Path:
    file = tmp_path / "small.jsonl"
    file.write_text("\n".join(stream_lines(2)) + "\n", encoding="utf-8")
    return file


@pytest.mark.parametrize("embedded", [False, True])
def test_through_a_broker_comes_what_replay_says(embedded: bool, home: Path, stream: Path, monkeypatch) -> None:
    if embedded:
        monkeypatch.setattr("drymon.cli.demo_broker.shutil.which", lambda name: None)
    config, heard = load_home(home), list[Message]()
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


def test_a_stream_that_breaks_off_is_said_and_ends_the_run(home: Path, stream: Path) -> None:
    with stream.open("a", encoding="utf-8") as file:
        file.write("no message\n")
    config = load_home(home)
    with (
        Store.open(home / "drymon.db") as store,
        demo_broker.demo_broker(home) as (broker, _),
        pytest.raises(StreamError, match="line"),
    ):
        play(config, Pipeline(config, load_models(home), store), read_stream([stream]), broker, lambda _: None)


def test_the_demo_makes_its_home_again_but_touches_no_other(tmp_path: Path, home: Path) -> None:
    folder = tmp_path / "demo"
    assert demo.make_demo_home(folder).room.racks
    (folder / "drymon.db").write_bytes(b"old")
    (folder / "models" / "elsewhere").mkdir()
    learnt = [folder / "models" / "backup.toml", folder / "models" / "elsewhere" / "backup.toml"]
    for model in learnt:
        model.write_text("learnt in the demo before", encoding="utf-8")
    assert demo.make_demo_home(folder).path == folder
    assert not (folder / "drymon.db").exists()
    assert not any(model.exists() for model in learnt), "the first days are told by starting models again"
    with pytest.raises(ValueError, match="is not empty and no demo's home"):
        demo.make_demo_home(home)
    assert (home / "room.toml").exists()


@pytest.mark.timeout(900)  # a minute of work, of which others beside it may leave a fifth of a core
def test_the_whole_story_is_told_before_and_after_the_fit(tmp_path: Path) -> None:
    """The command itself, through a real broker: what a fit gains stands side by side at its end."""
    command = [sys.executable, "-m", "drymon.cli", "demo", "--home", str(tmp_path / "demo")]
    done = subprocess.run(command, capture_output=True, text=True, timeout=900)
    assert done.returncode == 0, done.stderr
    first, _, second = done.stdout.partition("Between the weeks `drymon fit` learns from what was weighed:")
    for part in (first, second):
        assert re.search(r"↓ dip 1, prime-first, on rack-a: likely dry at \d\d:\d\d: touch-test it then; surely", part)
        assert re.search(r"→ likely dry since \d\d:\d\d: touch-test it, and tell drymon with felt; surely by", part)
        assert "✔ ready to redip: dip it" in part
    assert "prime-first no. 1 in your usual air" in second
    assert "! the coat below was" not in second, "in the second week nobody dips what is not ready"
    assert "pour" in second
    rows = re.findall(r"^(\S+, open) +([\d.]+) +([\d.]+) +(?:[\d.]+|-) +\d+ +([\d.]+) +([\d.]+)", second, re.MULTILINE)
    sure = {name: (float(before), float(after)) for name, _, before, _, after in rows}
    assert {"prime-first, open", "prime-fine, open", "backup, open"} <= set(sure)
    assert all(after < before for before, after in sure.values()), sure
    assert len(list((tmp_path / "demo" / "pictures").glob("*.svg"))) >= 10
    assert (tmp_path / "demo" / "models" / "prime-first.toml").exists()
