"""The lamp's topic: the worst that stands, told when it changes and every five minutes."""

import json
from datetime import UTC, datetime, timedelta

from drymon.service.notify.lamp import Lamp, lamp_state
from drymon.shop.alarms.alarm_acts import acknowledge, shelve
from drymon.shop.alarms.alarm_book import AlarmBook, Condition, Key, Truth
from drymon.shop.alarms.raising import update

NOW = datetime(2031, 3, 3, 6, tzinfo=UTC)


def book(*severities: str) -> AlarmBook:
    """A hold of each severity."""
    holds = [
        Condition(Key("tree-hold", f"t-{place}", "4"), Truth.HOLDS, "Look.", severity=severity)
        for place, severity in enumerate(severities)
    ]
    return update(AlarmBook(), NOW, holds)[0]


def test_the_worst_that_stands_is_shown_and_the_buzzer_waits_for_a_person() -> None:
    assert lamp_state(book()) == ("off", False)
    assert lamp_state(book("notice")) == ("notice", False)
    assert lamp_state(book("warning", "notice")) == ("warning", True)
    assert lamp_state(book("warning", "danger", "notice")) == ("danger", True)


def test_what_is_acknowledged_is_shown_in_silence_and_what_is_shelved_is_not_shown() -> None:
    standing = book("danger")
    (entry,) = standing.standing()
    assert lamp_state(acknowledge(standing, entry.id, "kim", NOW)) == ("danger", False)
    shelved = shelve(standing, entry.id, NOW + timedelta(hours=1), "known", "kim", NOW)
    assert lamp_state(shelved) == ("off", False)


def test_a_change_is_said_at_once_and_the_same_every_five_minutes() -> None:
    lamp = Lamp("drymon/shop/lamp")
    first = lamp.message(book("danger"), NOW)
    assert first is not None
    assert (first.topic, first.retain, first.qos, first.expiry_s) == ("drymon/shop/lamp", True, 1, 600)
    assert json.loads(first.payload) == {
        "time": "2031-03-03T06:00:00Z",
        "valid_until": "2031-03-03T06:10:00Z",
        "lamp": "danger",
        "buzzer": True,
    }
    assert lamp.message(book("danger"), NOW + timedelta(seconds=299)) is None
    assert lamp.message(book("danger"), NOW + timedelta(seconds=300)) is not None
    assert lamp.message(book("danger"), NOW + timedelta(seconds=301)) is None
    off = lamp.message(book(), NOW + timedelta(seconds=302))
    assert off is not None
    assert json.loads(off.payload)["lamp"] == "off"
