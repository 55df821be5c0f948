"""`drymon export` as pandas and the csv module read it: complete, exact to the digit, harmless in a spreadsheet."""

import csv
import io
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drymon.cli.main import main
from drymon.drying.quantities import Quantity
from drymon.messages.message import Message
from drymon.shop.facts.events import Dip, FanSwitched, LogEvent, Look, Weigh
from drymon.shop.facts.outcome import Alert, Bounds, Reason, State, Verdict, When
from drymon.shop.facts.reading import Reading
from drymon.store import Store
from drymon.views.rows import cell

BEGIN = datetime(2031, 3, 3, 6, tzinfo=UTC)
NOTE = '=HYPERLINK("x"), "quoted"\nsecond line'


def at(seconds: float) -> datetime:
    return BEGIN + timedelta(seconds=seconds)


def keep(home: Path, *facts: Reading | LogEvent) -> None:
    with Store.open(home / "drymon.db") as store:
        store.record(Message(at(60), "drymon/shop/log/look", json.dumps(len(facts)).encode()), facts)


def exported(home: Path, capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert main(["export", *words, "--home", str(home), "--out", "-"]) == 0
    return capsys.readouterr().out


def reading(seconds: float, value: float, **other: Any) -> Reading:
    given = {"place": "rack-a", "quantity": Quantity.TEMPERATURE, **other}
    return Reading(time=at(seconds), arrived=at(seconds), value=value, **given)


def test_readings_in_default_units_with_every_digit(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A retained value of unknown age is no reading of any time; with a time of its own it is."""
    sent = [
        reading(0, 0.1 + 0.2),
        reading(1.000001, -1.5e-7, quantity=Quantity.WEIGHT, sensor="cell-1", timed=True),
        reading(2, 101325.0, place="room", quantity=Quantity.PRESSURE),
        reading(3, 21.0, timed=True, retained=True),
    ]
    keep(home, *sent, reading(4, 5.0, retained=True))
    said = exported(home, capsys, "readings")
    assert said == (
        "time,place,quantity,sensor,value,unit\n"
        "2031-03-03T06:00:00Z,rack-a,temperature,,0.30000000000000004,Cel\n"
        "2031-03-03T06:00:01.000001Z,rack-a,weight,cell-1,-1.5e-07,kg\n"
        "2031-03-03T06:00:02Z,room,pressure,,101325.0,Pa\n"
        "2031-03-03T06:00:03Z,rack-a,temperature,,21.0,Cel\n"
    )
    table = pd.read_csv(io.StringIO(said))
    assert list(table["value"]) == [each.value for each in sent]
    assert [time.to_pydatetime() for time in pd.to_datetime(table["time"], format="ISO8601")] == [r.time for r in sent]


def test_log_has_a_column_for_everything(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    when = {"time": at(0), "arrived": at(1)}
    facts = {
        "tree": "t-1",
        "rack": "rack-a",
        "coat": "seal",
        "shelter": "deep",
        "cell": "cell-1",
        "id": "e",
        "by": "ann",
    }
    keep(
        home,
        Dip(**when, number=9, **facts),
        Weigh(**when, tree="t-1", mass=12.25),
        Look(**when, tree="t-1", finding="sound", note=NOTE),
        FanSwitched(**when, rack="rack-a", on=False),
    )
    dip, weigh, look, fan = csv.DictReader(io.StringIO(exported(home, capsys, "log")))
    times = {"time": "2031-03-03T06:00:00Z", "arrived": "2031-03-03T06:00:01Z"}
    assert {key: value for key, value in dip.items() if value} == {**times, "event": "dip", "number": "9", **facts}
    assert (weigh["event"], weigh["mass"], fan["event"], fan["on"]) == ("weigh", "12.25", "fan", "false")
    assert look["note"] == "'" + NOTE


def test_verdicts_and_alarms(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    drying = Verdict(
        at(0), at(600), tree="t-7", rack="rack-a", coat="backup", number=4, dipped_at=at(0), state=State.DRYING,
        dryness=Bounds(0.55, 0.61, 0.68), dry_at=When(at(900), at(1000.25), None), redip_by=None,
        reasons=(Reason("wet", "61 % of the water is gone"), Reason("airflow-assumed", "no anemometer")),
    )  # fmt: skip
    alert = Alert(at(1), "a-1", "tree-hold", "t-7", "warning", "raised", "-look at t-7")
    with Store.open(home / "drymon.db") as store:
        store.add_outcomes([drying, alert])
    (row,) = csv.DictReader(io.StringIO(exported(home, capsys, "verdicts")))
    assert (row["state"], row["safe_to_redip"], row["dryness_best"]) == ("drying", "false", "0.61")
    assert (row["dry_at_best"], row["dry_at_late"], row["redip_by"]) == ("2031-03-03T06:16:40.250000Z", "", "")
    assert row["reasons"] == "wet;airflow-assumed"
    (row,) = csv.DictReader(io.StringIO(exported(home, capsys, "alarms")))
    assert row["text"] == "'-look at t-7"


@given(st.text())
def test_no_text_cell_begins_like_a_formula(text: str) -> None:
    """The characters are those of OWASP's page on CSV injection, in half and full width."""
    shown = cell(text)
    assert not shown.startswith(tuple("=+-@\t\r\n＝＋－＠"))
    assert shown.removeprefix("'") == text.removeprefix("'")


@pytest.mark.parametrize(("value", "shown"), [(-3.5, "-3.5"), (-2, "-2"), (True, "true"), (None, "")])
def test_numbers_are_no_text(value: object, shown: str) -> None:
    assert cell(value) == shown
