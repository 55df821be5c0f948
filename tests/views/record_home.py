"""A store with the record of an invented shell: four coats, one dip taken back, early redips, a look, a calibration."""

import json
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from drymon.drying.quantities import Quantity
from drymon.messages.message import Message
from drymon.shop.facts.events import Dip, Felt, Leave, LogEvent, Look, Move, Undo, Weigh
from drymon.shop.facts.outcome import Alert, State, Verdict
from drymon.shop.facts.reading import Reading
from drymon.shop.facts.setup import Recipe
from drymon.store import Calibration, Store
from tests.views.invented import ROOM, air, hours, verdict

ROOM_WITH_RECIPE = replace(ROOM, recipes=(Recipe("standard", ("prime", "prime", "backup", "backup"), "four coats"),))
NOTE = "edge <b>lifted</b> & mended, cost $5 or $6"


def dip(at: float, coat: str, by: str, **other: object) -> Dip:
    return Dip(time=hours(at), arrived=hours(at), tree="t-7", rack="rack-a", coat=coat, by=by, **other)


def at(hour: float) -> dict[str, object]:
    return {"time": hours(hour), "arrived": hours(hour), "tree": "t-7"}


EARLIER: list[LogEvent] = [dip(-90.0, "prime", "Ravi", number=1, shelter="deep"), Leave(**at(-70.0), by="Ravi")]

LIFE: list[LogEvent] = [
    dip(0.5, "prime", "Ilse", number=1, shelter="open", recipe="standard"),
    Weigh(**at(0.6), mass=2.0, by="Ilse"),
    Weigh(**at(6.0), mass=1.875, by="Ravi"),
    dip(8.0, "prime", "Ravi"),
    Felt(**at(9.0), finding="wet", by="Ravi"),
    dip(10.0, "backup", "T. O."),
    dip(10.5, "backup", "T. O."),
    Undo(**at(10.6), by="Ilse"),
    Move(**at(12.0), rack="rack-b", by="Ilse"),
    Look(**at(30.0), finding="repaired", note=NOTE, by="Ravi"),
    dip(32.0, "backup", "Ilse"),
    Leave(**at(45.0), by="Ravi"),
]


def verdicts() -> Iterable[Verdict]:
    """Every five minutes; the third coat is held from 28 h on until the look, the fourth ends unwatched at 40 h."""
    spans = ((1, 0.5, 8.0, "prime"), (2, 8.0, 10.0, "prime"), (3, 10.0, 32.0, "backup"), (4, 32.0, 40.0, "backup"))
    for number, begin, end, coat in spans:
        for step in range(int((end - begin) * 12)):
            now = begin + step / 12
            state: State | None = None
            codes: tuple[str, ...] = ("wet", "starting-model")
            if number == 3:
                codes = ("wet", "starting-model", "redipped-early")
            if number == 3 and 28.0 <= now < 30.0:
                state, codes = State.HOLD, ("too-long",)
            yield verdict("t-7", begin, now, number, state, 1.5, coat, codes)


def fill(path: Path, events: Iterable[LogEvent] = (*EARLIER, *LIFE)) -> Path:
    """Write the record into a database; returns its path."""
    with Store.open(path) as store:
        for event in events:
            topic = f"drymon/shop/log/{type(event).__name__.lower()}"
            store.record(Message(event.time, topic, json.dumps({"tree": "t-7"}).encode(), qos=1), [event])
        with store.transaction():
            for quantity, series in air().items():
                for time, value in series:
                    reading = Reading(time, time, "rack-a", quantity, value)
                    store.record(Message(time, f"drymon/shop/rack-a/{quantity}", f"{value:.3f}".encode()), [reading])
        store.add_outcomes(verdicts())
        for alert in ALERTS:
            store.add_outcomes([alert])
        store.log_alarm(hours(11), ALERTS[0].id, "acknowledge", "Ilse")
        document = {"verdict": "good, off by 0.4 %", "due": "2031-08-01", "gain": 1.0, "offset": 1.0}
        store.add_calibration(Calibration(hours(-200), "rack-a/temperature", "temperature", document))
        store.roll_up(hours(60))
    return path


ALERTS = [
    Alert(hours(10), "redipped-early:t-7:1", "redipped-early", "t-7", "danger", "raised", "Tree t-7 was dipped early."),
    Alert(hours(14), "redipped-early:t-7:1", "redipped-early", "t-7", "danger", "raised", "Still: dipped early."),
    Alert(hours(15), "tree-ready:t-7:1", "tree-ready", "t-7", "notice", "raised", "Tree t-7 is ready."),
    Alert(
        hours(5), "air-out-of-band:rack-a:1", "air-out-of-band", "rack-a", "warning", "raised", "Rack rack-a is damp."
    ),
    Alert(hours(6), "air-out-of-band:rack-a:1", "air-out-of-band", "rack-a", "warning", "cleared", "Over."),
    Alert(hours(5), "sensor-silent:rack-b:1", "sensor-silent", "rack-b", "warning", "raised", "Rack rack-b is silent."),
    Alert(hours(5), "tree-hold:t-9:1", "tree-hold", "t-9", "danger", "raised", "Another tree is on hold."),
]


def temperatures(begin: float, end: float) -> list[float]:
    """What was put in for the temperature between two hours."""
    series = air()[Quantity.TEMPERATURE]
    return [value for time, value in series if hours(begin) <= time < hours(end)]
