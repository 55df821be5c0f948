"""Log events in words, for page, record and commands. Pure."""

from drymon.shop.facts.events import ClockChecked, Dip, FanSwitched, Felt, LogEvent, Look, Move, TreeEvent, Undo, Weigh


def event_words(event: LogEvent | TreeEvent) -> str:
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
        case Undo():
            return "took an entry back" if event.entry else "took back what was said last"
        case _:
            return "left the room"
