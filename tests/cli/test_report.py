"""`drymon report`, `drymon plot psychrometric` and a long `drymon plot rack`, on a small record; no service runs."""

import shutil
from pathlib import Path

import pytest

from drymon.cli.main import main
from drymon.store import Store
from tests import processes
from tests.cli.cli_home import BEGIN


def test_a_page_and_its_sheets_lie_in_the_folder(
    played: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["report", "t-7", "--home", str(played), "--out", str(tmp_path / "records")]) == 0
    said = capsys.readouterr().out.splitlines()
    page, sheets = tmp_path / "records" / "t-7.html", tmp_path / "records" / "t-7.pdf"
    assert said == [str(page), str(sheets)]
    text = page.read_text(encoding="utf-8")
    assert text.startswith("<!doctype html>")
    assert "Shell record: t-7" in text
    assert "by Ilse" in text
    assert sheets.read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize("name", ["kept.html", "kept.pdf"])
def test_the_file_may_be_named(played: Path, tmp_path: Path, name: str) -> None:
    assert main(["report", "t-7", "--home", str(played), "--out", str(tmp_path / name)]) == 0
    assert sorted(path.name for path in tmp_path.iterdir()) == ["kept.html", "kept.pdf"]


def test_it_is_written_while_another_process_writes_the_record(played: Path, tmp_path: Path) -> None:
    """A service holds the database open and is in the middle of a transaction."""
    home = tmp_path / "home"
    shutil.copytree(played, home)
    with Store.open(home / "drymon.db") as service, service.transaction():
        service.add_audit(BEGIN, "Ilse", "nothing", "not committed yet")
        done = processes.run("report", "t-7", "--home", str(home), "--out", str(tmp_path), within_s=60)
    assert (done.returncode, done.stderr) == (0, "")
    assert "Shell record: t-7" in (tmp_path / "t-7.html").read_text(encoding="utf-8")


def test_an_unknown_tree_lists_those_known(played: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", "t-8", "--home", str(played), "--out", str(tmp_path)]) == 2
    assert "no dip of a tree named 't-8' is on record here; known: t-7" in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_nothing_recorded_says_what_to_do(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", "t-7", "--home", str(home)]) == 1
    assert "drymon serve" in capsys.readouterr().err


def test_a_psychrometric_chart_of_a_rack(played: Path, tmp_path: Path) -> None:
    out = tmp_path / "chart.svg"
    assert main(["plot", "psychrometric", "rack-a", "--home", str(played), "--out", str(out)]) == 0
    text = out.read_text(encoding="utf-8")
    assert "psychrometric chart" in text
    assert "backup asks for 20 to 26 °C, 35 to 55 % RH" in text


def test_a_chart_of_too_many_days_is_refused(played: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["plot", "psychrometric", "rack-a", "--from", "2031-01-01", "--home", str(played)]
    assert main([*words, "--out", str(tmp_path / "chart.svg")]) == 2
    assert "7 days" in capsys.readouterr().err


def test_a_racks_long_air_is_drawn_from_hours(played: Path, tmp_path: Path) -> None:
    out = tmp_path / "year.svg"
    words = ["plot", "rack", "rack-a", "--from", "2030-03-04", "--home", str(played), "--out", str(out)]
    assert main(words) == 0
    assert "mean, lowest and highest every 22 hours" in out.read_text(encoding="utf-8")
