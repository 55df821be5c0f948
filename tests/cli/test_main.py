"""The frame of the command line: help, where --home may stand, exit codes, one-line errors."""

import fcntl
import os
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest

from drymon.cli.commands import COMMANDS
from drymon.cli.main import main

PRESENT = [command for command in COMMANDS if find_spec(f"drymon.cli.{command.module}")]


@pytest.mark.parametrize("command", PRESENT, ids=lambda command: command.name)
def test_every_command_has_help_that_names_the_home(command, capsys) -> None:
    assert main([command.name, "--help"]) == 0
    shown = capsys.readouterr().out
    assert shown.startswith(f"usage: drymon {command.name}")
    assert "--home DIR" in shown
    assert len(shown.split("\n\n")[1]) > 20  # more than the usage line: a description


def test_the_help_of_drymon_names_every_command(capsys) -> None:
    assert main(["--help"]) == 0
    shown = capsys.readouterr().out
    listed = {line.split()[0] for line in shown.splitlines() if line.startswith("    ")}
    assert {command.name for command in COMMANDS} <= listed


def loaded(*commands: list[str]) -> set[str]:
    """What a process has loaded that has run these commands."""
    code = f"import sys; from drymon.cli.main import main; [main(words) for words in {commands!r}]; "
    code += "print(*sys.modules, file=sys.stderr)"
    run = subprocess.run([sys.executable, "-P", "-c", code], capture_output=True, text=True, check=True)
    return set(run.stderr.splitlines()[-1].split())


def test_the_help_of_no_command_loads_what_its_work_needs() -> None:
    there = loaded(["--help"], *([command.name, "--help"] for command in COMMANDS))
    assert "drymon.cli.fit" in there
    assert (
        there & {"numpy", "pandas", "scipy", "sklearn", "matplotlib", "pydantic", "paho", "flask", "sqlite3"} == set()
    )


def test_status_reads_a_record_without_numpy(played: Path) -> None:
    there = loaded(["status", "--home", str(played)])
    assert {"sqlite3", "pydantic", "drymon.views.table"} <= there
    assert (
        there & {"numpy", "paho", "flask", "jinja2", "pandas", "drymon.drying.coat", "drymon.shop.fold.room"} == set()
    )


@pytest.mark.parametrize("words", [["--home", "{}", "status"], ["status", "--home", "{}"]])
def test_home_may_stand_before_or_after_the_command(words: list[str], home: Path, capsys) -> None:
    assert main([word.format(home) for word in words]) == 0
    assert "SERVICE NOT RUNNING" in capsys.readouterr().out


def test_the_home_may_come_from_the_environment(home: Path, monkeypatch, capsys) -> None:
    monkeypatch.setenv("DRYMON_HOME", str(home))
    assert main(["status"]) == 0
    assert "shop" in capsys.readouterr().out


@pytest.mark.parametrize("words", [[], ["bogus"], ["status", "--bogus"], ["plot"], ["export", "weather", "--out", "x"]])
def test_wrong_use_is_one_line_and_exit_2(words: list[str], capsys) -> None:
    assert main(words) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err.count("\n") == 1
    assert "--help" in shown.err


@pytest.mark.parametrize(
    "words", [["status"], ["check"], ["plot", "room"], ["export", "log", "--out", "-"], ["backup"]]
)
def test_a_folder_that_is_no_home_says_how_to_make_one(words: list[str], tmp_path: Path, capsys) -> None:
    assert main([*words, "--home", str(tmp_path)]) == 2
    error = capsys.readouterr().err
    assert f"drymon init --home {tmp_path}" in error
    assert error.count("\n") == 1


def test_init_makes_a_home_once(tmp_path: Path, capsys) -> None:
    folder = tmp_path / "new" / "home"
    assert main(["init", "--home", str(folder)]) == 0
    assert "drymon serve" in capsys.readouterr().out
    before = (folder / "room.toml").read_text(encoding="utf-8")
    assert main(["status", "--home", str(folder)]) == 0
    assert main(["init", "--home", str(folder)]) == 2
    assert "exists already" in capsys.readouterr().err
    assert (folder / "room.toml").read_text(encoding="utf-8") == before


def test_the_program_can_be_run_as_a_module(home: Path) -> None:
    run = subprocess.run(
        [sys.executable, "-m", "drymon.cli", "status", "--home", str(home)], capture_output=True, text=True, check=False
    )
    assert (run.returncode, run.stderr) == (0, "")


def test_a_reader_that_goes_away_is_no_traceback(played: Path) -> None:
    """Through a pipe that holds less than what is to be written, so that the writer is still at it."""
    reads, writes = os.pipe()
    fcntl.fcntl(writes, fcntl.F_SETPIPE_SZ, 4096)
    words = [sys.executable, "-m", "drymon.cli", "export", "readings", "--home", str(played), "--out", "-"]
    run = subprocess.Popen(words, stdout=writes, stderr=subprocess.PIPE, text=True)
    os.close(writes)
    with os.fdopen(reads) as reader:
        assert reader.readline().startswith("time,")
    assert run.stderr is not None
    error = run.stderr.read()
    assert run.wait(30) == 1
    assert "Traceback" not in error
