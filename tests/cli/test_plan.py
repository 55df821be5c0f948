"""`drymon plan` on a record, and its calendar as another library reads it."""

import json
from datetime import datetime, timedelta
from pathlib import Path

import freezegun
import icalendar
import pytest

from drymon.cli.main import main
from tests.cli.cli_home import HOURS, ROOM_TOML, stamp, stream_lines

RECIPE = """
[[coat]]
name = "seal"
family = "seal"
[[recipe]]
name = "standard"
coats = ["backup", "backup", "seal"]
[hours]
days = ["Mon", "Tue", "Wed", "Thu", "Fri"]
from = "12:00"
to = "18:00"
dip_min = 12
"""


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small stream in a room with a recipe: one open tree under its first coat since half past six, UTC."""
    folder = tmp_path_factory.mktemp("planned")
    (folder / "room.toml").write_text(ROOM_TOML + RECIPE, encoding="utf-8")
    stream = folder / "small.jsonl"
    stream.write_text("\n".join(stream_lines()) + "\n", encoding="utf-8")
    assert main(["replay", str(stream), "--home", str(folder), "--out", str(folder / "out.jsonl")]) == 0
    return folder


def last_plan(home: Path) -> dict[str, object]:
    lines = [json.loads(line) for line in (home / "out.jsonl").read_text(encoding="utf-8").splitlines()]
    said = [json.loads(line["payload"]) for line in lines if line["topic"] == "drymon/shop/out/plan"]
    plan: dict[str, object] = said[-1]
    return plan


def test_the_topic_has_the_coming_dips_of_the_interface(planned: Path) -> None:
    plan = last_plan(planned)
    assert list(plan) == ["time", "valid_until", "now", "next", "later", "trees"]
    coming = [*plan["next"], *plan["later"]]  # type: ignore[misc]
    assert [(dip["tree"], dip["coat"], dip["number"], dip["rack"]) for dip in coming] == [
        ("t-7", "backup", 2, "rack-a"),
        ("t-7", "seal", 3, "rack-a"),
    ]
    for dip in coming:
        assert dip["from"]["early"] <= dip["from"]["best"] <= dip["from"]["late"]
    finish = plan["trees"]["t-7"]["finish"]  # type: ignore[index]
    assert coming[-1]["from"]["best"] < finish["best"] < finish["late"]


def test_the_command_prints_what_the_topic_says(planned: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with freezegun.freeze_time(stamp(HOURS)):
        assert main(["plan", "--json", "--home", str(planned)]) == 0
    assert json.loads(capsys.readouterr().out) == last_plan(planned)


def test_the_text_tells_every_dip_and_the_end(planned: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with freezegun.freeze_time(stamp(HOURS)):
        assert main(["plan", "--home", str(planned)]) == 0
    said = capsys.readouterr()
    assert said.err == ""
    assert "Dip now\n  nothing" in said.out
    assert "t-7, coat 2 (backup), rack-a" in said.out
    assert "t-7, coat 3 (seal), rack-a" in said.out
    assert "never ready to dewax or pour" in said.out


def test_days_that_are_not_asked_for_are_left_out(planned: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with freezegun.freeze_time(stamp(HOURS)):
        assert main(["plan", "--days", "1", "--home", str(planned)]) == 0
        assert "coat 3 (seal)" not in capsys.readouterr().out
        assert main(["plan", "--days", "0", "--home", str(planned)]) == 2
    assert "allowed is a whole number from 1 to 60" in capsys.readouterr().err


def test_of_a_plan_that_is_past_nothing_is_to_be_dipped_now(planned: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with freezegun.freeze_time(stamp(HOURS + 30)):
        assert main(["plan", "--home", str(planned)]) == 0
    said = capsys.readouterr()
    assert "holds no more" in said.err
    assert "Dip now\n  nothing" in said.out


def test_without_any_record_there_is_no_plan(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", "--home", str(home)]) == 1
    assert capsys.readouterr().err


def test_the_calendar_is_read_back_with_the_same_dips(planned: Path, tmp_path: Path) -> None:
    file = tmp_path / "dips.ics"
    with freezegun.freeze_time(stamp(HOURS)):
        assert main(["plan", "--out", str(file), "--home", str(planned)]) == 0
    raw = file.read_bytes()
    assert all(len(line) <= 75 for line in raw.split(b"\r\n")), "RFC 5545, section 3.1"
    assert b"\n" not in raw.replace(b"\r\n", b"")
    events = icalendar.Calendar.from_ical(raw).walk("VEVENT")
    plan = last_plan(planned)
    coming = [*plan["next"], *plan["later"]]  # type: ignore[misc]
    assert [event["SUMMARY"] for event in events] == [
        "Dip t-7, coat 2 (backup), rack-a",
        "Dip t-7, coat 3 (seal), rack-a",
    ]
    for event, dip in zip(events, coming, strict=True):
        begin = event.decoded("DTSTART")
        assert abs(begin - datetime.fromisoformat(dip["at"])) < timedelta(seconds=1)
        assert event.decoded("DTEND") - begin == timedelta(minutes=12)
    assert len({event["UID"] for event in events}) == 2


def test_another_ending_is_refused(planned: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", "--out", "dips.docx", "--home", str(planned)]) == 2
    assert "allowed are files ending in .ics, .txt, .json" in capsys.readouterr().err
