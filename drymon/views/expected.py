"""When something is expected, in the words of every table, page and command. Pure."""

from datetime import datetime

from drymon.shop.facts.local_time import say
from drymon.shop.facts.outcome import When


def expected(when: When, now: datetime, timezone: str) -> str:
    """`21:46 (20:10 to Thu 12:35)`; of a moment that has passed it is said by when it is sure."""
    if when.best is None:
        return "no end in sight"
    if when.best <= now:
        return sure(when, now, timezone)
    early = say(when.early, now, timezone) if when.early and when.early > now else "now"
    late = say(when.late, now, timezone) if when.late else "beyond 14 days"
    return f"{say(when.best, now, timezone)} ({early} to {late})"


def sure(when: When, now: datetime, timezone: str) -> str:
    """`sure by Thu 12:35`."""
    return f"sure by {say(when.late, now, timezone)}" if when.late else "not sure within 14 days"
