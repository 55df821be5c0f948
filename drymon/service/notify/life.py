"""The daily sign of life: that drymon runs, what it sees, and what is wrong; so silence cannot pass for health."""

from collections import Counter
from datetime import datetime

from drymon.shop.facts.local_time import say
from drymon.shop.facts.setup import RoomSetup
from drymon.store.store import Store


def sign_of_life(store: Store, now: datetime, room: RoomSetup) -> tuple[str, str]:
    """Title and text, from what is on disk at `now`."""
    alarms = [entry for entry in store.alarm_book().standing() if entry.is_alarm and entry.phase == "active"]
    count = Counter(verdict.state.value for verdict in store.current_verdicts())
    trees = ", ".join(f"{number} {state}" for state, number in sorted(count.items())) or "none"
    last = store.last_arrival()
    heard = f"{say(last, now, room.timezone)}" if last else "never"
    title = "daily sign of life" if not alarms else f"daily sign of life: {len(alarms)} alarms stand"
    lines = [
        f"drymon watches the room {room.label or room.name}.",
        f"Trees: {trees}.",
        f"Last message from the room: {heard}.",
        *(f"Alarm since {say(e.raised_at, now, room.timezone)}: {e.what}" for e in alarms if e.raised_at),
        "If this message stays out one day, look after the machine.",
    ]
    return title, "\n".join(lines)
