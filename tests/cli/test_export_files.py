"""Exported files as other libraries read them: frictionless checks each CSV against the schema beside it, pyarrow and
pandas read Parquet.
"""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from drymon.cli.main import main
from drymon.drying.quantities import Quantity
from drymon.messages.message import Message
from drymon.shop.facts.events import Dip, FanSwitched, LogEvent, Weigh
from drymon.shop.facts.outcome import Alert, Bounds, State, Verdict, When
from drymon.shop.facts.reading import Reading
from drymon.store import Store

frictionless = pytest.importorskip("frictionless", reason="frictionless is not installed: pip install drymon[test]")

BEGIN = datetime(2031, 3, 3, 6, tzinfo=UTC)
TABLES = ("readings", "minutes", "hours", "log", "verdicts", "alarms")


def at(seconds: float) -> datetime:
    return BEGIN + timedelta(seconds=seconds)


@pytest.fixture
def kept(home: Path) -> Path:
    """A record with a row of most kinds: fractions of seconds, nothing where nothing is known, text with commas."""
    readings = [
        Reading(at(0), at(0), "rack-a", Quantity.TEMPERATURE, 0.1 + 0.2),
        Reading(at(1.000001), at(2), "rack-a", Quantity.WEIGHT, -1.5e-7, sensor="cell-1", timed=True),
        Reading(at(2), at(2), "room", Quantity.CO2, 812.0),
    ]
    events: list[LogEvent] = [
        Dip(time=at(3), arrived=at(3), tree="t-1", rack="rack-a", coat="backup", number=4, label='Otter, "small"'),
        Weigh(time=at(4.25), arrived=at(5), tree="t-1", mass=1.25),
        FanSwitched(time=at(6), arrived=at(6), rack="rack-a", on=False),
    ]
    drying = Verdict(
        at(7), at(67), tree="t-1", rack="rack-a", coat="backup", number=4, dipped_at=at(3), state=State.DRYING,
        dryness=Bounds(0.0, 0.031, 1.0), dry_at=When(at(900), at(1800.5), None), redip_by=None, reasons=(),
    )  # fmt: skip
    alert = Alert(at(8), "a-1", "tree-ready", "t-1", "notice", "raised", "t-1 is ready, so they say")
    with Store.open(home / "drymon.db") as store:
        store.record(Message(at(9), "drymon/shop/log/look", b"1"), [*readings, *events])
        store.add_outcomes([drying, alert])
        store.roll_up(at(120))
    return home


def export(home: Path, what: str, file: Path) -> None:
    assert main(["export", what, "--home", str(home), "--out", str(file)]) == 0


@pytest.mark.parametrize("what", TABLES)
def test_each_csv_agrees_with_the_schema_beside_it(kept: Path, tmp_path: Path, what: str) -> None:
    file = tmp_path / f"{what}.csv"
    export(kept, what, file)
    schema = json.loads((tmp_path / f"{what}.schema.json").read_text("utf-8"))
    with frictionless.system.use_context(trusted=True):
        report = frictionless.validate(str(file), schema=frictionless.Schema.from_descriptor(schema))
    assert report.valid, report.flatten(["rowNumber", "fieldName", "message"])
    assert report.tasks[0].stats["rows"] >= 1
    named = {field["name"]: field["type"] for field in schema["fields"]}
    assert named["start" if what in ("minutes", "hours") else "time"] == "datetime"
    assert (set(named.values()) <= {"string", "datetime"}) == (what == "alarms"), "numbers are told as numbers"


def test_the_schema_is_no_empty_promise(kept: Path, tmp_path: Path) -> None:
    """A share above one, a quantity that nobody measures, a word for a number: each is found."""
    for what, column, wrong in (("verdicts", "dryness_best", "1.2"), ("readings", "quantity", "mood"),
                                ("readings", "value", "warm"), ("verdicts", "state", "nearly")):  # fmt: skip
        file = tmp_path / f"{what}.csv"
        export(kept, what, file)
        table = pd.read_csv(file, dtype=str, keep_default_na=False)
        table.loc[0, column] = wrong
        table.to_csv(file, index=False)
        schema = json.loads((tmp_path / f"{what}.schema.json").read_text("utf-8"))
        with frictionless.system.use_context(trusted=True):
            report = frictionless.validate(str(file), schema=frictionless.Schema.from_descriptor(schema))
        assert [name for _, name in report.flatten(["rowNumber", "fieldName"])] == [column]


def validated(package: Path) -> Any:
    with frictionless.system.use_context(trusted=True):
        return frictionless.Package.from_descriptor(str(package / "datapackage.json")).validate()


def test_a_package_tells_all_of_its_files(kept: Path, tmp_path: Path) -> None:
    """By its own descriptor every table is found and sound; a changed byte is found too."""
    package = tmp_path / "march"
    export(kept, "package", package)
    report = validated(package)
    assert report.valid, report.flatten(["fieldName", "message"])
    assert [(task.name, task.stats["rows"] >= 1) for task in report.tasks] == [(what, True) for what in TABLES]
    for what in TABLES:
        export(kept, what, tmp_path / "alone.csv")
        assert (package / f"{what}.csv").read_bytes() == (tmp_path / "alone.csv").read_bytes()
    (package / "alarms.csv").write_text((package / "alarms.csv").read_text().replace("t-1 is", "t-2 is"))
    assert [error[0] for error in validated(package).flatten(["type"])] == ["hash-count"]


def test_a_package_has_a_folder_of_its_own(kept: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for out in (str(kept), "-", str(kept / "room.toml")):
        assert main(["export", "package", "--home", str(kept), "--out", out]) == 2
        assert f"received {out!r}" in capsys.readouterr().err
    (tmp_path / "empty").mkdir()
    export(kept, "package", tmp_path / "empty")
    assert {file.name for file in (tmp_path / "empty").iterdir()} == {"datapackage.json", *(f"{t}.csv" for t in TABLES)}


def test_minutes_and_hours_are_what_the_readings_come_to(kept: Path, tmp_path: Path) -> None:
    with Store.open(kept / "drymon.db") as store:
        said = ((0, 20.0), (30, 21.0), (90, 25.0))
        warm = [Reading(at(second), at(600), "rack-b", Quantity.TEMPERATURE, value) for second, value in said]
        store.record(Message(at(600), "drymon/shop/rack-b/temperature", b"1"), warm)
        store.roll_up(at(900))
    minutes, hours = [(20.0, 20.5, 21.0, 2), (25.0, 25.0, 25.0, 1)], [(20.0, 22.0, 25.0, 3)]
    for what, wanted in (("minutes", minutes), ("hours", hours)):
        export(kept, what, tmp_path / f"{what}.csv")
        table = pd.read_csv(tmp_path / f"{what}.csv")
        mine = table[table["place"] == "rack-b"]
        assert list(mine[["low", "mean", "high", "count"]].itertuples(index=False, name=None)) == wanted
        assert set(mine["unit"]) == {"Cel"}


@pytest.mark.parametrize("what", TABLES)
def test_parquet_says_what_the_csv_says(kept: Path, tmp_path: Path, what: str) -> None:
    pytest.importorskip("pyarrow", reason="pyarrow is not installed: pip install drymon[parquet]")
    export(kept, what, tmp_path / "t.csv")
    export(kept, what, tmp_path / "t.parquet")
    assert not (tmp_path / "t.parquet.schema.json").exists()
    text = pd.read_csv(tmp_path / "t.csv")
    columns = pd.read_parquet(tmp_path / "t.parquet")
    assert list(columns) == list(text)
    assert len(columns) == len(text) >= 1
    for name in columns:
        if isinstance(columns[name].dtype, pd.DatetimeTZDtype):
            wanted = pd.to_datetime(text[name], format="ISO8601", utc=True)
            assert columns[name].isna().tolist() == wanted.isna().tolist()
            assert (columns[name].dropna() == wanted.dropna().astype(columns[name].dtype)).all()
        elif columns[name].dtype.kind == "f" and not columns[name].isna().all():
            assert columns[name].tolist() == pytest.approx(text[name].astype(float).tolist(), rel=0, nan_ok=True)
    assert str(columns.iloc[:, 0].dtype) == "datetime64[us, UTC]"
