"""CSV as pandas and the csv module read it: complete, exact to the last digit, harmless in a spreadsheet."""

import csv
import io
from types import SimpleNamespace

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drymon.drying.quantities import Quantity
from drymon.shop.events import Dip, FanSwitched, Look, Weigh
from drymon.shop.outcome import Alert, State
from drymon.store import Store
from drymon.store.export import cell, export_alarms, export_log, export_readings, export_verdicts


def test_readings_in_default_units_with_every_digit(store: Store, make: SimpleNamespace) -> None:
    sent = [
        make.reading(0, 0.1 + 0.2),
        make.reading(1.000001, -1.5e-7, quantity=Quantity.WEIGHT, sensor="cell-1", timed=True),
        make.reading(2, 101325.0, place="room", quantity=Quantity.PRESSURE),
    ]
    store.record(make.message(), sent)
    store.record(make.message(3, retain=True), [make.reading(3, 5.0, retained=True)])
    out = io.StringIO()
    assert export_readings(store, out) == 3
    assert out.getvalue() == (
        "time,place,quantity,sensor,value,unit\n"
        "2031-03-03T06:00:00Z,rack-a,temperature,,0.30000000000000004,Cel\n"
        "2031-03-03T06:00:01.000001Z,rack-a,weight,cell-1,-1.5e-07,kg\n"
        "2031-03-03T06:00:02Z,room,pressure,,101325.0,Pa\n"
    )
    table = pd.read_csv(io.StringIO(out.getvalue()), parse_dates=["time"])
    assert list(table["value"]) == [reading.value for reading in sent]
    assert [time.to_pydatetime() for time in pd.to_datetime(table["time"], format="ISO8601")] == [r.time for r in sent]
    out = io.StringIO()
    assert export_readings(store, out, make.at(1), make.at(2)) == 1


def test_log_has_a_column_for_everything(store: Store, make: SimpleNamespace) -> None:
    when = {"time": make.at(0), "arrived": make.at(1)}
    events = [
        Dip(**when, tree="t-1", rack="rack-a", coat="seal", number=9, shelter="deep", cell="cell-1", id="e", by="ann"),
        Weigh(**when, tree="t-1", mass=12.25),
        Look(**when, tree="t-1", finding="sound", note='=HYPERLINK("x"), "quoted"\nsecond line'),
        FanSwitched(**when, rack="rack-a", on=False),
    ]
    store.record(make.message(), events)
    out = io.StringIO()
    assert export_log(store, out) == 4
    dip, weigh, look, fan = csv.DictReader(io.StringIO(out.getvalue()))
    assert {k: v for k, v in dip.items() if v} == {
        **{"time": "2031-03-03T06:00:00Z", "arrived": "2031-03-03T06:00:01Z", "event": "dip", "tree": "t-1"},
        **{
            "rack": "rack-a",
            "coat": "seal",
            "number": "9",
            "shelter": "deep",
            "cell": "cell-1",
            "id": "e",
            "by": "ann",
        },
    }
    assert (weigh["event"], weigh["mass"], fan["event"], fan["on"]) == ("weigh", "12.25", "fan", "false")
    assert look["note"] == '\'=HYPERLINK("x"), "quoted"\nsecond line'


def test_verdicts_and_alarms(store: Store, make: SimpleNamespace) -> None:
    unknown = make.verdict(9, state=State.UNKNOWN, dryness=None)
    alert = Alert(make.at(1), "a-1", "tree-hold", "t-7", "warning", "raised", "-look at t-7")
    store.add_outcomes([make.verdict(0), unknown, alert])
    out = io.StringIO()
    assert export_verdicts(store, out) == 2
    first, second = csv.DictReader(io.StringIO(out.getvalue()))
    assert (first["state"], first["safe_to_redip"], first["dryness_best"]) == ("drying", "false", "0.61")
    assert (first["dry_at_best"], first["dry_at_late"]) == ("2031-03-03T06:16:40.250000Z", "")
    assert first["reasons"] == "wet airflow-assumed"
    assert (second["state"], second["dryness_low"]) == ("unknown", "")
    out = io.StringIO()
    assert export_alarms(store, out) == 1
    assert next(csv.DictReader(io.StringIO(out.getvalue())))["text"] == "'-look at t-7"


@given(st.text())
def test_no_text_cell_begins_like_a_formula(text: str) -> None:
    """The characters are those of OWASP's page on CSV injection."""
    shown = cell(text)
    assert not shown.startswith(("=", "+", "-", "@", "\t", "\r"))
    assert shown.removeprefix("'") == text.removeprefix("'")


@pytest.mark.parametrize(("value", "shown"), [(-3.5, "-3.5"), (-2, "-2"), (True, "true"), (None, "")])
def test_numbers_are_no_text(value: object, shown: str) -> None:
    assert cell(value) == shown
