"""Log events in words, for page, record and commands. Pure."""

from drymon.shop.facts.events import (
    ClockChecked,
    Dip,
    FanSwitched,
    Felt,
    LogEvent,
    Look,
    Move,
    SlurryCheck,
    SlurryUndo,
    TankEvent,
    TreeEvent,
    Undo,
    Weigh,
)
from drymon.shop.facts.slurry import UNITS, with_unit

_UNDONE = ("took back what was said last", "took an entry back")


def event_words(event: LogEvent | TreeEvent | TankEvent) -> str:
    """`weighed: 2 kg`, `left the room`."""
    match event:
        case Dip():
            number = f" {event.number}" if event.number else ""
            return f"dipped: {event.coat}{number} on {event.rack}"
        case Weigh():
            return f"weighed: {event.mass:g} kg"
        case Felt():
            return event.words
        case Look():
            return f"looked: {event.finding}" + (f" ({event.note})" if event.note else "")
        case Move():
            return f"moved to {event.rack}" + (f", {event.cell}" if event.cell else "")
        case FanSwitched():
            return f"fans of {event.rack} {'on' if event.on else 'off'}"
        case ClockChecked():
            return "clock " + ("right again" if event.known else "not to be trusted")
        case TankEvent():
            return f"slurry {event.slurry}: {_tank_words(event)}"
        case Undo():
            return _UNDONE[bool(event.entry)]
        case _:
            return "left the room"


def _tank_words(check: TankEvent) -> str:
    """`new filling, 32 s, pH 9.1, 0.2 L of water added, stirred`."""
    if not isinstance(check, SlurryCheck):
        return _UNDONE[isinstance(check, SlurryUndo) and bool(check.entry)]
    measured = [(what, getattr(check, what)) for what in UNITS]
    words = [
        "new filling" if check.fresh else "",
        *(
            ("pH " if what == "ph" else "") + with_unit(what, f"{value:g}")
            for what, value in measured
            if value is not None
        ),
        f"{check.water_added:g} L of water added" if check.water_added else "",
        "stirred" if check.stirred else "",
        check.note,
    ]
    return ", ".join(filter(None, words)) or "noted"
