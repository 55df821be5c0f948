"""`drymon plan` on a record, and its calendar as another library reads it."""

import json
import re
import shutil
from datetime import datetime, timedelta
from pathlib import Path
from xml.etree import ElementTree

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
to = "14:00"
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
    assert list(plan) == ["time", "valid_until", "now", "next", "later", "trees", "air"]
    assert plan["air"] == {"rack-a": {"temperature": 22.0, "humidity": 45.1, "airflow": 1.25}}, "the stream's means"
    coming = [*plan["next"], *plan["later"]]  # type: ignore[misc]
    assert [(dip["tree"], dip["coat"], dip["number"], dip["rack"]) for dip in coming] == [
        ("t-7", "backup", 2, "rack-a"),
        ("t-7", "seal", 3, "rack-a"),
    ]
    for dip in coming:
        assert dip["from"]["early"] <= dip["from"]["best"] <= dip["from"]["late"]
        assert dip["at"] < dip["dry"]["best"] < dip["dry"]["late"]
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
    assert "allowed are files ending in .txt, .json, .ics, .html, .svg, .png, .pdf" in capsys.readouterr().err


def asked(planned: Path, *words: str) -> int:
    with freezegun.freeze_time(stamp(HOURS)):
        return main(["plan", *words, "--home", str(planned)])


def test_what_a_change_would_save_is_told_with_its_risk(planned: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert asked(planned, "--what-if", "humidity=20", "--what-if", "airflow=500fpm") == 0
    said = capsys.readouterr().out
    assert said.startswith("What if: 20 %RH, 2.54 m/s\n")  # 500 ft/min x 0.3048 m / 60 s, exact by definition
    assert "rack-a: 22.0 °C 45 %RH, 1.2 m/s now, 22.0 °C 20 %RH, 2.5 m/s then" in said
    assert re.search(r"^  t-7 .* \d+\.\d (h|days)$", said, re.MULTILINE)
    assert "later" not in said
    assert "Mind" not in said, "no prime coat hangs there or is to come"
    assert "never ready to dewax or pour" in said


def test_a_change_for_the_worse_is_told_as_later(planned: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert asked(planned, "--what-if", "humidity=60") == 0
    assert "later" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--what-if", "sun=1"), "allowed are humidity=45"),
        (("--what-if", "humidity=lots"), "allowed is a number"),
        (("--what-if", "hands=0"), "a whole number from 1 to 20"),
        (("--what-if", "humidity=45", "--json"), "leave out --json"),
        (("--what-if", "humidity=45", "--out", "a.svg"), "name a .txt file"),
    ],
)
def test_a_change_that_makes_no_sense_is_refused(
    planned: Path, words: tuple[str, ...], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert asked(planned, *words) == 2
    assert told in capsys.readouterr().err


def test_a_recipe_that_nobody_has_is_refused(planned: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert asked(planned, "--what-if", "recipe=grand") == 1
    assert "room.toml has standard" in capsys.readouterr().err


def test_a_sheet_to_print_has_a_line_and_a_box_for_each_dip(planned: Path, tmp_path: Path) -> None:
    file = tmp_path / "sheet.html"
    assert asked(planned, "--out", str(file)) == 0
    text = file.read_text("utf-8")
    assert text.count('class="box"') == 2
    assert "2 backup" in text
    assert "3 seal" in text
    assert "@page" in text
    assert "never ready to dewax or pour" in text
    assert not re.search(r"(src|href)=", text), "it needs nothing else"


@pytest.mark.parametrize(("ending", "begins"), [("svg", b"<?xml"), ("png", b"\x89PNG"), ("pdf", b"%PDF-")])
def test_a_picture_is_written_by_its_ending(planned: Path, tmp_path: Path, ending: str, begins: bytes) -> None:
    file = tmp_path / f"plan.{ending}"
    assert asked(planned, "--out", str(file)) == 0
    assert file.read_bytes().startswith(begins)


def test_the_picture_says_trees_days_and_numbers(planned: Path, tmp_path: Path) -> None:
    file = tmp_path / "plan.svg"
    assert asked(planned, "--out", str(file)) == 0
    words = [text.strip() for text in ElementTree.fromstring(file.read_bytes()).itertext() if text.strip()]
    assert {"Dips to come in shop", "t-7", "2", "3", "nobody is there", "last coat dry"} <= set(words)


def test_a_room_that_was_changed_since_is_told_by_the_names_that_the_plan_has(
    planned: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The coats of the plan are gone from room.toml: nothing fails, and nothing is said to be saved."""
    home = tmp_path / "home"
    shutil.copytree(planned, home)
    (home / "room.toml").write_text(ROOM_TOML.replace('"backup"', '"other"', 1), encoding="utf-8")
    sheet = tmp_path / "sheet.html"
    for words in (("--out", str(sheet)), ("--out", str(tmp_path / "plan.svg")), ("--what-if", "humidity=20")):
        assert asked(home, *words) == 0
    assert "2 backup" in sheet.read_text("utf-8")
    assert "no tree is in the plan" in capsys.readouterr().out
