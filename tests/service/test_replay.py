"""Recorded streams through the road: the same bytes every time, nobody told, a served home refused."""

import gzip
import json
import subprocess
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from drymon.drying.coat_model import Spread
from drymon.errors import StreamError
from drymon.messages.coat_models import load_models, write_model
from drymon.messages.config import load_home
from drymon.service.replay import BATCH, replay
from drymon.store.store import Store
from tests import processes
from tests.service.conftest import make_home

BEGIN = datetime(2031, 3, 3, 6, tzinfo=UTC)


def line(seconds: float, topic: str, payload: str) -> str:
    time = (BEGIN + timedelta(seconds=seconds)).isoformat().replace("+00:00", "Z")
    return json.dumps({"time": time, "topic": f"drymon/shop/{topic}", "payload": payload})


def morning(minutes: int = 60) -> str:
    """An invented hour: air every 20 seconds from a numbering node, three dips, a look, nonsense."""
    lines = []
    for step in range(minutes * 3):
        reading = {"value": 45 + step % 7 / 10, "device": "n1", "boot": "b", "seq": step}
        lines += [line(20 * step, "rack-a/temperature", str(22 + step % 5 / 10))]
        lines += [line(20 * step + 1, "rack-a/humidity", json.dumps(reading))]
        if step in (3, 40, 80):
            dip = {"tree": f"t-{step}", "rack": "rack-a", "coat": "backup", "id": f"d{step}"}
            lines += [line(20 * step + 2.5, "log/dip", json.dumps(dip))] * 2
        if step == 90:  # before it was ready
            lines += [line(20 * step + 2.5, "log/dip", '{"tree": "t-3", "rack": "rack-a", "coat": "backup"}')]
        if step == 60:
            lines += [line(20 * step + 3, "log/look", '{"tree": "t-3", "finding": "sound"}')]
            lines += [line(20 * step + 3, "rack-a/humidity", "damp")]
    return "\n".join(lines) + "\n"


@pytest.fixture
def stream(tmp_path: Path) -> Path:
    path = tmp_path / "morning.jsonl"
    path.write_text(morning())
    return path


def run(home: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return processes.run("replay", "--home", str(home), *words)


def test_two_replays_into_two_fresh_homes_are_the_same_bytes(tmp_path: Path, stream: Path) -> None:
    outs = []
    for name in ("one", "two"):
        home = make_home(tmp_path / name)
        done = run(home, str(stream), "--out", str(home / "out.jsonl.gz"))
        assert (done.returncode, done.stderr) == (0, "")  # how far it is, is for a terminal only
        outs.append((home / "out.jsonl.gz").read_bytes())
    assert outs[0] == outs[1]
    lines = [json.loads(row) for row in gzip.decompress(outs[0]).splitlines()]
    assert {"t-3", "t-40", "t-80"} <= {row["topic"].rsplit("/", 1)[1] for row in lines}
    assert [row["time"] for row in lines] == sorted(row["time"] for row in lines)


def one_tree(hours: int) -> str:
    """A steady room with one open tree in it."""
    lines = [line(5, "log/dip", '{"tree": "t-1", "rack": "rack-a", "coat": "backup", "number": 4, "shelter": "open"}')]
    for minute in range(hours * 60):
        lines += [line(60 * minute + 6, "rack-a/temperature", f"{22 + minute % 7 / 10}")]
        lines += [line(60 * minute + 7, "rack-a/humidity", f"{45 + minute % 11 / 10}")]
    return "\n".join(lines) + "\n"


def test_a_stream_is_called_sooner_where_the_shop_has_said_how_long_it_waits(tmp_path: Path) -> None:
    """By a starting model of the home's own: thin coats, of which the shop waits less than the model expects."""
    packaged = load_models(None)["backup"]
    thin = {**packaged.parameters, "water": Spread(0.1, 0.35)}
    (tmp_path / "one-tree.jsonl").write_text(one_tree(14))
    calls = []
    for name, said in (("told", "usual_wait_h = 0.8"), ("untold", "")):
        home = make_home(tmp_path / name)
        room = home / "room.toml"
        room.write_text(room.read_text().replace('family = "backup"', f'family = "backup"\n{said}'))
        write_model(replace(packaged, parameters=thin, correlation=None), home / "models" / "backup.toml")
        replay(load_home(home), [tmp_path / "one-tree.jsonl"], home / "out.jsonl")
        rows = [json.loads(row) for row in (home / "out.jsonl").read_text().splitlines()]
        told = [json.loads(row["payload"]) for row in rows if row["topic"].endswith("/out/tree/t-1")]
        assert "starting-model" in {reason["code"] for reason in told[0]["reasons"]}
        calls.append(datetime.fromisoformat(next(each["time"] for each in told if each["safe_to_redip"])))
    assert calls[0] - BEGIN < 0.95 * (calls[1] - BEGIN)


def test_every_outgoing_message_lies_within_the_stream_s_own_time(tmp_path: Path, stream: Path) -> None:
    home = make_home(tmp_path / "home")
    replay(load_home(home), [stream], tmp_path / "out.jsonl")
    last = json.loads(stream.read_text().splitlines()[-1])["time"]
    times = [json.loads(row)["time"] for row in (tmp_path / "out.jsonl").read_text().splitlines()]
    assert min(times) >= "2031-03-03T06:00:00Z"
    assert datetime.fromisoformat(max(times)) <= datetime.fromisoformat(last)
    with Store.open(home / "drymon.db", readonly=True) as store:
        assert all(v.time <= datetime.fromisoformat(last) for v in store.current_verdicts())


def test_a_stream_in_two_halves_leaves_the_room_as_the_whole_does(tmp_path: Path) -> None:
    """The second replay takes the room up where the first one left it."""
    rows = morning().splitlines(keepends=True)
    half = len(rows) // 2
    parts = [tmp_path / "a.jsonl", tmp_path / "b.jsonl", tmp_path / "whole.jsonl"]
    for part, content in zip(parts, (rows[:half], rows[half:], rows), strict=True):
        part.write_text("".join(content))
    halves, whole = make_home(tmp_path / "halves"), make_home(tmp_path / "whole")
    for part in parts[:2]:
        replay(load_home(halves), [part])
    replay(load_home(whole), [parts[2]])
    with Store.open(halves / "drymon.db", readonly=True) as one, Store.open(whole / "drymon.db", readonly=True) as two:
        assert list(one.readings()) == list(two.readings())
        pairs = list(zip(one.current_verdicts(), two.current_verdicts(), strict=True))
        assert len(pairs) == 3
        for again, through in pairs:
            assert (again.tree, again.number, again.state) == (through.tree, through.number, through.state)
            assert [reason.code for reason in again.reasons] == [reason.code for reason in through.reasons]
            assert again.dryness is not None
            assert through.dryness is not None
            # Folded anew in one go, the steps of the integration fall a little differently.
            assert again.dryness.best == pytest.approx(through.dryness.best, abs=1e-3)
            assert again.dryness.low == pytest.approx(through.dryness.low, abs=1e-3)


def test_several_streams_are_merged_by_time(tmp_path: Path) -> None:
    rows = morning(20).splitlines(keepends=True)
    (tmp_path / "odd.jsonl").write_text("".join(rows[1::2]))
    (tmp_path / "even.jsonl").write_text("".join(rows[::2]))
    (tmp_path / "all.jsonl").write_text("".join(rows))
    apart, whole = make_home(tmp_path / "apart"), make_home(tmp_path / "whole")
    assert replay(load_home(apart), [tmp_path / "even.jsonl", tmp_path / "odd.jsonl"]) == len(rows)
    replay(load_home(whole), [tmp_path / "all.jsonl"])
    with Store.open(apart / "drymon.db", readonly=True) as one, Store.open(whole / "drymon.db", readonly=True) as two:
        assert one.current_verdicts() == two.current_verdicts()


def test_it_refuses_a_home_that_a_service_has_used(tmp_path: Path, stream: Path) -> None:
    home = make_home(tmp_path / "home")
    with Store.open(home / "drymon.db") as store:
        store.mark_served(BEGIN)
    done = run(home, str(stream))
    assert done.returncode == 1
    assert "drymon serve" in done.stderr
    with Store.open(home / "drymon.db", readonly=True) as store:
        assert store.last_arrival() is None


def test_it_notifies_nobody(tmp_path: Path, stream: Path) -> None:
    home = make_home(tmp_path / "home")
    replay(load_home(home), [stream])
    with Store.open(home / "drymon.db", readonly=True) as store:
        assert list(store.alerts()) != []
        assert store.notices(waiting=True) == []


def test_a_damaged_line_names_file_and_line_and_keeps_what_came_before(tmp_path: Path) -> None:
    broken = tmp_path / "broken.jsonl"
    rows = [line(second, "rack-a/temperature", "22") for second in range(BATCH + 5)]
    broken.write_text("\n".join([*rows, '{"time": "yesterday"}']) + "\n")
    home = make_home(tmp_path / "home")
    with pytest.raises(StreamError, match=f"broken.jsonl, line {BATCH + 6}"):
        replay(load_home(home), [broken])
    with Store.open(home / "drymon.db", readonly=True) as store:
        assert len(list(store.readings())) >= BATCH


def test_no_stream_at_all_is_wrong_use(tmp_path: Path) -> None:
    done = run(make_home(tmp_path / "home"))
    assert done.returncode == 2
    assert "STREAM" in done.stderr
