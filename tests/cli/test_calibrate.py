"""`calibrate` as people use it: points in files, the walk at a terminal, taken back, and reminded of by `check`."""

import os
import pty
import re
import select
import shutil
import signal
import subprocess
import sys
import termios
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from drymon.cli.main import main
from drymon.store import Calibration, Store
from tests import processes

CELL = '[[cell]]\nname = "cell-1"\nrack = "rack-a"\n'
SALTS = "salt,temperature_c,reading_pct\n"
UP_AND_DOWN = ["0", "0.012", "2", "2.020", "5", "5.032", "8", "8.044", "5", "5.033", "2", "2.021", "0", ".013"]
"""Masses and readings in turns: a cell 12 g off at nothing and 44 g at 8 kg."""


@pytest.fixture
def shop(played: Path, tmp_path: Path) -> Path:
    """A home with a cell, in which one sensor of each kind was heard on rack-a."""
    home = tmp_path / "home"
    shutil.copytree(played, home)
    room = home / "room.toml"
    room.write_text(room.read_text() + CELL, encoding="utf-8")
    return home


def calibrations(home: Path) -> list[Calibration]:
    with Store.open(home / "drymon.db", readonly=True) as store:
        return store.calibrations()


def walked(home: Path, words: list[str], answers: list[str]) -> "subprocess.CompletedProcess[str]":
    """A process of its own that is answered; after the last answer its input ends."""
    return processes.run("calibrate", *words, "--home", str(home), typed="".join(f"{answer}\n" for answer in answers))


def from_file(home: Path, words: list[str], lines: str) -> int:
    points = home / "points.csv"
    points.write_text(lines, encoding="utf-8")
    return main(["calibrate", *words, "--points", str(points), "--home", str(home)])


# --- points from files ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "lines", "told"),
    [
        (
            "cell cell-1",
            "known_kg,reading_kg\n0,0\n5,5x\n10,10\n",
            r"points.csv, line 3, reading_kg: .*'5x'.*kg, g, lb",
        ),
        ("cell cell-1", "known_kg,reading_kg\n0,0\n\n-2,2\n", r"line 4, known_kg: .*'-2'.*allowed is 0 to 500 kg"),
        ("cell cell-1", "known_kg,reading_kg\n0,0\n5\n", r"line 3, reading_kg: received ''"),
        ("humidity rack-a", f"{SALTS}kitchen salt,22,75\n", r"line 2, salt: .*NaCl \(sodium"),
        ("humidity rack-a", f"{SALTS}NaCl,45,75\n", r"line 2, temperature_c: .*15 to 30 °C"),
        (
            "temperature rack-a",
            "reference,reading\n70,21\n",
            r"line 2, reference_c: .*-10 to 50 °C.*another unit.*degF",
        ),
        (
            "airflow rack-a",
            "reference,reading\n1,1.1\n200,1\n",
            r"line 3, reference_m_per_s: .*60 m/s.*another unit.*ft/min",
        ),
    ],
)
def test_an_answer_that_cannot_be_is_told_with_its_line(shop: Path, capsys, words, lines, told) -> None:
    assert from_file(shop, words.split(), lines) == 1
    assert re.search(told, capsys.readouterr().err)
    assert calibrations(shop) == []


@pytest.mark.parametrize(
    ("kind", "lines", "gain", "offset"),
    [
        # 200 ft/min are 1.016 m/s, 1 ft being 0.3048 m (agreement of 1959)
        ("airflow", "reference_m_per_s,reading_m_per_s\n200 ft/min,1.016\n", 1.0, 0.0),
        ("airflow", "reference,reading\n1.0,0.8\n", 1.25, 0.0),
        # 71.6 degF are 22 degC
        ("temperature", "reference_c,reading_c\n71.6F,22.5\n", 1.0, -0.5),
        ("temperature", "reading,reference\n22.5,22.0\n", 1.0, -0.5),
    ],
)
def test_units_are_converted_and_the_columns_of_before_are_read(shop: Path, kind, lines, gain, offset) -> None:
    assert from_file(shop, [kind, "rack-a"], lines) == 0
    (kept,) = calibrations(shop)
    assert kept.document["gain"] == pytest.approx(gain)
    assert kept.document["offset"] == pytest.approx(offset)


def test_a_reference_in_feet_per_minute_without_its_unit_is_not_kept(shop: Path, capsys) -> None:
    assert from_file(shop, ["airflow", "rack-a"], "reference,reading\n20,0.1\n") == 1
    assert "gain of 200.00; allowed is 0.5 to 2: one of the two is in another unit" in capsys.readouterr().err
    assert calibrations(shop) == []


# --- wrong use -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (["--class", "V"], "--class"),
        (["--interval", "0g"], "received '0g'; allowed is more than nothing"),
        (["--interval", "-1g"], "received '-1g'; allowed is more than nothing"),
        (["--interval", "1 stone"], "allowed for weight are kg, g, lb, oz"),
        (["--due-days", "0"], "received '0'; allowed is a whole number of days, 1 to"),
        (["--due-days", "-5"], "received '-5'; allowed is a whole number of days, 1 to"),
        (["--due-days", "999999999"], "received '999999999'; allowed is a whole number"),
    ],
)
def test_an_option_that_cannot_be_is_wrong_use(shop: Path, capsys, more, told) -> None:
    assert main(["calibrate", "cell", "cell-1", "--points", "nowhere.csv", *more, "--home", str(shop)]) == 2
    assert told in capsys.readouterr().err


def test_an_interval_without_its_unit_is_told_as_what_it_was_taken_for(shop: Path, capsys) -> None:
    lines = "known_kg,reading_kg\n0,0\n4,4\n8,8\n"
    assert from_file(shop, ["cell", "cell-1", "--interval", "5"], lines) == 1
    assert re.search(r"received 5000 g; allowed is up to 80 g, .* load, 8 kg: .*unit", capsys.readouterr().err)
    assert from_file(shop, ["cell", "cell-1", "--interval", "5g"], lines) == 0
    assert "interval 5 g" in capsys.readouterr().out


@pytest.mark.parametrize(("kind", "sensor"), [("cell", "cell-9"), ("humidity", "rack-z")])
def test_a_trial_refuses_a_sensor_that_nobody_knows(shop: Path, capsys, kind, sensor) -> None:
    assert main(["calibrate", kind, sensor, "--points", "nowhere.csv", "--dry-run", "--home", str(shop)]) == 1
    assert f"received {sensor!r}; known here are" in capsys.readouterr().err


# --- the walk ------------------------------------------------------------------------------------------------------


def test_the_walk_asks_with_units_and_keeps_after_a_yes(shop: Path) -> None:
    done = walked(shop, ["cell", "cell-1"], [*UP_AND_DOWN, "", "yes"])
    assert done.returncode == 0, done.stderr
    assert "known mass 1, kg: " in done.stdout
    assert "reading 7, kg: " in done.stdout
    assert "keep it? (yes or no): " in done.stdout
    (kept,) = calibrations(shop)
    assert kept.document["points"][3] == {"known_kg": "8", "reading_kg": "8.044"}


def test_the_walk_lists_the_salts_and_takes_their_names(shop: Path) -> None:
    """Greenspan's salts at 25 degC are 75.29 and 32.78 %RH: a sensor 3 points high in both."""
    answers = ["sodium chloride", "77 F", "78,3", "MgCl2", "25", "35.8", "", "y"]
    done = walked(shop, ["humidity", "rack-a"], answers)
    assert done.returncode == 0, done.stderr
    assert "LiCl      lithium chloride" in done.stdout
    assert "that is 25 °C" in done.stdout
    assert "plausible once corrected, but not tested" in done.stdout
    assert re.search(r"true = 0\.99\d+ × reading -[23]\.\d+ %RH|true = 1\.00\d+ × reading -3\.\d+ %RH", done.stdout)


def test_a_slip_is_told_at_once_and_asked_again(shop: Path) -> None:
    answers = ["0", "0.012", "2 stone", "2", "2.020", "5x", "5", "5.032", "9", "back", "8", "8.044", "", "yes"]
    done = walked(shop, ["cell", "cell-1"], answers)
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("Once more:") == 2
    assert "'9' is taken back" in done.stdout
    assert [row["known_kg"] for row in calibrations(shop)[0].document["points"]] == ["0", "2", "5", "8"]


def test_a_kitchen_salt_and_a_warm_jar_are_refused_at_once(shop: Path) -> None:
    done = walked(shop, ["humidity", "rack-a"], ["kitchen salt", "NaCl", "95F", "25", "175", "75.3", "", "no"])
    assert "received 'kitchen salt', known are LiCl (lithium chloride)" in done.stdout
    assert "which is 35 °C; allowed is 15 to 30 °C" in done.stdout
    assert "possible are 0 to 110 %RH" in done.stdout
    assert (done.returncode, calibrations(shop)) == (1, [])


def test_an_empty_answer_within_a_point_drops_nothing_and_keeps_nothing(shop: Path) -> None:
    done = walked(shop, ["cell", "cell-1"], ["0", "0.012", "2", "2.02", "5", "5.031", "8", "", "8.044", "", "yes"])
    assert "received nothing; known mass 8 waits for it" in done.stdout
    assert [row["reading_kg"] for row in calibrations(shop)[0].document["points"]][-1] == "8.044"


def test_too_few_points_are_told_and_more_are_asked_for(shop: Path) -> None:
    done = walked(shop, ["cell", "cell-1"], ["0", "0.012", "", "2", "2.02", "5", "5.031", "", "yes"])
    assert "received 1 point; at least 3 must be given" in done.stdout
    assert len(calibrations(shop)[0].document["points"]) == 3


@pytest.mark.parametrize(
    "end", [["stop"], ["5", "stop"], ["5"], ["5", "5.032", "", "no"], ["5", "5.032", "", "stop"], ["5", "5.032", ""]]
)
def test_whoever_stops_keeps_nothing_and_gets_the_points_to_go_on_from(shop: Path, capsys, end) -> None:
    """By the word, by the end of the input, and at the question."""
    done = walked(shop, ["cell", "cell-1"], ["0", "0,012", "2000 g", "2.020", *end])
    assert (done.returncode, calibrations(shop)) == (1, [])
    assert "Nothing was kept, cell-1's readings stay as they are" in done.stdout
    assert "`drymon calibrate cell cell-1 --points FILE`" in done.stdout
    assert ("known mass 5" in done.stdout.split("left out: ")[-1].splitlines()[0]) == (end[0] == "5" and len(end) < 3)
    lines = done.stdout[done.stdout.index("known_kg,reading_kg\n") :]
    more = "" if "5,5.032" in lines else "5,5.032\n"
    assert from_file(shop, ["cell", "cell-1"], lines.rstrip() + "\n" + more) == 0
    assert calibrations(shop)[0].document["points"][1] == {"known_kg": "2000 g", "reading_kg": "2.020"}


def test_ctrl_c_keeps_nothing_and_gives_the_points_back(shop: Path) -> None:
    """At a terminal of its own: the key that interrupts is the terminal's."""
    process, terminal = pty.fork()
    if process == 0:
        signal.signal(signal.SIGINT, signal.SIG_DFL)  # as at a terminal: who runs tests in the background ignores it
        command = [sys.executable, "-m", "drymon.cli", "calibrate", "temperature", "rack-a", "--home", str(shop)]
        os.execv(sys.executable, command)
    said = read_until(terminal, b"reference 1")
    modes = termios.tcgetattr(terminal)
    modes[3] |= termios.NOFLSH  # else the key also throws away what a quick program has just said
    termios.tcsetattr(terminal, termios.TCSANOW, modes)
    for answer, prompt in ((b"21.0\n", b"reading 1, "), (b"21.3\n", b"reference 2")):
        os.write(terminal, answer)
        said += read_until(terminal, prompt)
    os.write(terminal, b"\x03")
    while b"stopped" not in said:
        if select.select([terminal], [], [], 5.0)[0]:
            said += os.read(terminal, 4096)
        else:  # pressed in the instant before the program listens, the key is not heard
            os.write(terminal, b"\x03")
    _, status = os.waitpid(process, 0)
    os.close(terminal)
    assert os.waitstatus_to_exitcode(status) == 130
    assert b"Nothing was kept" in said
    assert b"reference_c,reading_c\r\n21.0,21.3\r\n" in said
    assert calibrations(shop) == []


def read_until(terminal: int, mark: bytes) -> bytes:
    said = b""
    while mark not in said:
        said += os.read(terminal, 4096)
    return said


def test_what_is_unfit_is_not_asked_about(shop: Path) -> None:
    done = walked(shop, ["temperature", "rack-a"], ["21", "25.9", ""])
    assert done.returncode == 1
    assert "far off" in done.stdout
    assert "keep it?" not in done.stdout
    assert "21,25.9" in done.stdout
    assert calibrations(shop) == []


# --- taking back ---------------------------------------------------------------------------------------------------


def test_the_one_before_holds_again(shop: Path, capsys) -> None:
    for reading in ("20.5", "20.9"):
        assert from_file(shop, ["temperature", "rack-a"], f"reference_c,reading_c\n20.0,{reading}\n") == 0
    assert "to take it back: drymon calibrate undo rack-a/temperature" in capsys.readouterr().out
    assert main(["calibrate", "undo", "rack-a/temperature", "--home", str(shop)]) == 0
    assert "holds again" in capsys.readouterr().out
    assert [kept.document["offset"] for kept in calibrations(shop)] == [pytest.approx(-0.5)]
    assert main(["calibrate", "undo", "rack-a", "--home", str(shop)]) == 0
    assert "taken as they come" in capsys.readouterr().out
    assert calibrations(shop) == []
    assert main(["calibrate", "undo", "rack-a", "--home", str(shop)]) == 1
    assert "received 'rack-a'; calibrated here are none" in capsys.readouterr().err
    main(["calibrate", "list", "--all", "--home", str(shop)])
    assert capsys.readouterr().out.count("taken back by ") == 2


def test_a_place_with_two_calibrated_sensors_must_be_told_apart(shop: Path, capsys) -> None:
    assert from_file(shop, ["temperature", "rack-a"], "reference_c,reading_c\n20.0,20.5\n") == 0
    assert from_file(shop, ["airflow", "rack-a"], "reference_m_per_s,reading_m_per_s\n1.0,1.1\n") == 0
    assert main(["calibrate", "undo", "rack-a", "--home", str(shop)]) == 1
    assert "say one of rack-a/airflow, rack-a/temperature" in capsys.readouterr().err
    assert len(calibrations(shop)) == 2


# --- due again -----------------------------------------------------------------------------------------------------


def test_check_tells_of_a_calibration_that_is_overdue(shop: Path, capsys) -> None:
    now = datetime.now(UTC)
    overdue, later = ((now + timedelta(days=days)).date().isoformat() for days in (-3, 30))
    with Store.open(shop / "drymon.db", now=now) as store:
        for sensor, kind, due in (("rack-a/humidity/low", "humidity", overdue), ("cell-1", "cell", later)):
            document = {"gain": 1.0, "offset": 0.1, "due": due, "good": True}
            store.add_calibration(Calibration(now - timedelta(days=100), sensor, kind, document))
    assert main(["check", "--home", str(shop)]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert f"look calibration rack-a/humidity/low: overdue since {overdue}" in told
    assert "drymon calibrate humidity rack-a/low" in told
    assert "cell-1: overdue" not in told
