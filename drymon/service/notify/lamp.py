"""A topic for a signal lamp and a buzzer: the worst that stands, in one word.

Colours are the lamp's own business; IEC 60073 has red for danger, yellow for a warning, green for what is safe.
"""

from datetime import datetime, timedelta

from drymon.messages.message import Message
from drymon.messages.outgoing import QOS, to_payload
from drymon.messages.times import stamp
from drymon.shop.alarms.alarm_book import AlarmBook, AlarmState, Entry
from drymon.shop.facts.outcome import SEVERITIES

VALID, AGAIN = timedelta(minutes=10), timedelta(minutes=5)
_SHOWN = {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED}


class Lamp:
    """Says what the lamp should show: when that changes, and every five minutes."""

    def __init__(self, topic: str) -> None:
        self._topic = topic
        self._shown: tuple[str, bool] | None = None
        self._said_at: datetime | None = None

    def message(self, book: AlarmBook, now: datetime) -> Message | None:
        """`{"time", "valid_until", "lamp": "off"|"notice"|"warning"|"danger", "buzzer": bool}`, retained; or None.

        The buzzer sounds while an alarm waits to be acknowledged. Past `valid_until` the lamp should show a fault.
        """
        shown = lamp_state(book)
        if shown == self._shown and self._said_at is not None and now - self._said_at < AGAIN:
            return None
        self._shown, self._said_at = shown, now
        lamp, buzzer = shown
        content = {"time": stamp(now), "valid_until": stamp(now + VALID), "lamp": lamp, "buzzer": buzzer}
        expiry = int(VALID.total_seconds())
        return Message(now, self._topic, to_payload(content), retain=True, qos=QOS, expiry_s=expiry)


def lamp_state(book: AlarmBook) -> tuple[str, bool]:
    """The worst severity that stands and is not silenced, and whether an alarm of it waits for a person."""
    standing = [entry for entry in book.standing() if book.state(entry) in _SHOWN]
    worst = max((_rank(entry) for entry in standing), default=-1)
    waits = any(entry.unacknowledged for entry in standing)
    return ("off" if worst < 0 else SEVERITIES[worst]), waits


def _rank(entry: Entry) -> int:
    return SEVERITIES.index(entry.severity)
