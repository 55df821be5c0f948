"""status, export, plot, backup and restore on a small record; the service is down all the time."""

import csv
import json
import shutil
from pathlib import Path

import pytest

from drymon.cli.main import main
from tests.cli.cli_home import HOURS, stamp, stream_lines


def test_status_with_the_service_down_knows_nothing_but_the_age(played: Path, capsys) -> None:
    assert main(["status", "--json", "--home", str(played)]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["service"] == "offline"
    (tree,) = document["trees"]
    assert (tree["tree"], tree["state"], tree["safe_to_redip"], tree["dry_at"]["best"]) == (
        "t-7",
        "unknown",
        False,
        None,
    )
    assert "the service is not running" in tree["reasons"][0]["text"]
    (rack,) = document["racks"]
    assert (rack["rack"], rack["ready"], rack["trees"]) == ("rack-a", False, {"t-7": "unknown"})
    assert {(s["quantity"], s["value"], s["unit"]) for s in document["sensors"]} >= {
        ("temperature", 21.7, "Cel"),
        ("airflow", 1.25, "m/s"),
    }
    assert document["refused"]["count"] == 1
    assert document["refused"]["latest"][0]["topic"] == "drymon/shop/rack-a/humidity"


def rows_of(what: str, home: Path, tmp_path: Path, *more: str) -> list[dict[str, str]]:
    file = tmp_path / f"{what}.csv"
    assert main(["export", what, "--home", str(home), "--out", str(file), *more]) == 0
    with file.open(encoding="utf-8", newline="") as opened:
        return list(csv.DictReader(opened))


def test_readings_are_exported_whole_in_the_columns_of_the_interface(played: Path, tmp_path: Path) -> None:
    rows = rows_of("readings", played, tmp_path)
    assert list(rows[0]) == ["time", "place", "quantity", "sensor", "value", "unit"]
    assert len(rows) == HOURS * 60 * 3
    assert rows[0] == {
        "time": stamp(0),
        "place": "rack-a",
        "quantity": "temperature",
        "sensor": "",
        "value": "22.0",
        "unit": "Cel",
    }


def test_a_span_is_from_up_to_but_without_its_end(played: Path, tmp_path: Path) -> None:
    rows = rows_of("readings", played, tmp_path, "--from", "2031-03-03T07:00:00Z", "--to", "2031-03-03 08:30")  # Berlin
    assert {row["time"] for row in rows} == {stamp(1 + minute / 60) for minute in range(30)}


def test_log_and_verdicts_are_exported(played: Path, tmp_path: Path) -> None:
    (dip,) = rows_of("log", played, tmp_path)
    assert (dip["event"], dip["tree"], dip["coat"], dip["shelter"], dip["by"]) == (
        "dip",
        "t-7",
        "backup",
        "open",
        "Ilse",
    )
    verdicts = rows_of("verdicts", played, tmp_path)
    assert verdicts[0]["time"] == stamp(0.5)
    assert verdicts[0]["state"] == "drying"
    assert "starting-model" in verdicts[0]["reasons"].split(";")
    assert 0.0 <= float(verdicts[-1]["dryness_low"]) < float(verdicts[-1]["dryness_high"]) <= 1.0
    assert isinstance(rows_of("alarms", played, tmp_path), list)


def test_an_exported_stream_replays_to_the_same_verdicts(played: Path, home: Path, tmp_path: Path) -> None:
    stream = tmp_path / "again.jsonl.gz"
    assert main(["export", "stream", "--home", str(played), "--out", str(stream)]) == 0
    assert main(["replay", str(stream), "--home", str(home)]) == 0
    assert rows_of("verdicts", home, tmp_path) == rows_of("verdicts", played, tmp_path)


@pytest.mark.parametrize("time", ["yesterday", "2031-13-01", "25:00"])
def test_a_time_that_is_none_says_what_is_allowed(time: str, played: Path, capsys) -> None:
    assert main(["export", "log", "--home", str(played), "--out", "-", "--from", time]) == 2
    error = capsys.readouterr().err
    assert repr(time) in error
    assert "RFC 3339" in error


@pytest.mark.parametrize(
    ("words", "told"),
    [(["rack", "rack-a"], "Air at rack-a"), (["tree", "t-7"], "Drying of tree t-7"), (["room"], "Trees in shop"),
     (["plan"], "Trees in shop"), (["model", "backup"], "Coat model backup")],
)  # fmt: skip
def test_pictures_are_drawn_from_the_record(words: list[str], told: str, played: Path, tmp_path: Path, capsys) -> None:
    file = tmp_path / "picture.svg"
    assert main(["plot", *words, "--home", str(played), "--out", str(file)]) == 0
    assert capsys.readouterr().out.strip() == str(file)
    assert told in file.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("words", "names"),
    [(["rack", "rack-z"], "rack-a"), (["tree", "t-8"], "t-7"), (["model", "gold"], "backup"),
     (["room", "--from", "2031-03-04"], "--from"), (["room", "--out", "x.jpeg"], ".svg")],
)  # fmt: skip
def test_what_cannot_be_drawn_says_what_can(words: list[str], names: str, played: Path, capsys) -> None:
    assert main(["plot", *words, "--home", str(played)]) == 2
    assert names in capsys.readouterr().err


@pytest.mark.parametrize("words", [["fit"], ["runs"]])
def test_a_coat_that_room_toml_does_not_have_is_wrong_use(words: list[str], played: Path, capsys) -> None:
    assert main([*words, "--coat", "nope", "--home", str(played)]) == 2
    assert "coat: received 'nope'; in room.toml are backup" in capsys.readouterr().err


@pytest.mark.parametrize("words", [["export", "readings"], ["export", "stream"], ["plot", "room"]])
def test_a_span_that_ends_before_it_begins_is_wrong_use(words: list[str], played: Path, tmp_path: Path, capsys) -> None:
    file = tmp_path / "out.svg"
    span = ["--from", "2031-03-03 08:30", "--to", "2031-03-03T07:00:00Z"]  # Berlin: 07:30 in UTC
    assert main([*words, *span, "--out", str(file), "--home", str(played)]) == 2
    error = capsys.readouterr().err
    assert "--from: received '2031-03-03 08:30', which is 2031-03-03T07:30:00Z and later than --to" in error
    assert not file.exists()


@pytest.mark.parametrize("words", [["plot", "room"], ["export", "readings"], ["export", "stream"], ["labels"]])
def test_folders_are_made_in_the_home_alone(words: list[str], played: Path, tmp_path: Path, capsys) -> None:
    home = tmp_path / "home"
    shutil.copytree(played, home)
    elsewhere = tmp_path / "stick" / "week-1" / "out.svg"
    assert main([*words, "--home", str(home), "--out", str(elsewhere)]) == 1
    assert f"there is no folder {elsewhere.parent}" in capsys.readouterr().err
    assert not (tmp_path / "stick").exists()
    own = home / "pictures" / "week-1" / "out.svg"
    assert main([*words, "--home", str(home), "--out", str(own)]) == 0
    assert own.exists()


def test_nothing_recorded_is_exit_1(home: Path, capsys) -> None:
    assert main(["plot", "room", "--home", str(home)]) == 1
    assert "nothing has been recorded" in capsys.readouterr().err


def test_a_backup_is_a_home_and_can_be_restored(played: Path, tmp_path: Path, capsys) -> None:
    work, backup, fresh = tmp_path / "work", tmp_path / "backup", tmp_path / "fresh"
    shutil.copytree(played, work)
    (work / "models").mkdir(exist_ok=True)
    assert main(["backup", str(backup), "--home", str(work)]) == 0
    assert main(["backup", str(backup), "--home", str(work)]) == 1
    assert "not empty" in capsys.readouterr().err
    assert main(["restore", str(backup), "--home", str(fresh)]) == 0
    assert rows_of("readings", fresh, tmp_path) == rows_of("readings", played, tmp_path)
    assert main(["restore", str(backup), "--home", str(work)]) == 0
    assert "is kept as" in capsys.readouterr().out
    assert len(list(work.glob("drymon.db.replaced*"))) >= 1


def test_what_is_no_backup_is_refused(home: Path, tmp_path: Path, capsys) -> None:
    junk = tmp_path / "junk.db"
    junk.write_bytes(b"no database" * 100)
    assert main(["restore", str(junk), "--home", str(home)]) == 1
    assert str(junk) in capsys.readouterr().err
    assert not (home / "drymon.db").exists()
    for source in (junk, tmp_path / "nowhere"):
        assert main(["restore", str(source), "--home", str(tmp_path / "new" / "home")]) == 1
        assert f"{source} cannot be restored" in capsys.readouterr().err
        assert not (tmp_path / "new").exists()


def test_the_small_stream_is_what_these_tests_think() -> None:
    assert len(stream_lines()) == HOURS * 60 * 3 + 2
