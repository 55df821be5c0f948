"""Alarms are as grave as what they tell of is far from safe, and each is told once with what to do.

That priority follows consequence and the time to respond is ANSI/ISA-18.2's and IEC 62682's; which share of which
limit makes which severity is drymon's own table (`alarm_kinds`, `redips`), assumed.
"""

from dataclasses import replace
from datetime import timedelta

import pytest

from drymon.drying.quantities import Quantity
from drymon.errors import AlarmError
from drymon.shop.alarms.alarm_acts import acknowledge, acknowledge_over, acknowledged, act_of, shelve
from drymon.shop.alarms.alarm_book import AlarmBook, AlarmState, Condition, Key, Truth
from drymon.shop.alarms.alarm_document import document, from_document
from drymon.shop.alarms.alarm_kinds import KINDS
from drymon.shop.alarms.raising import update
from drymon.shop.facts.outcome import AirNow, Alert, Reason, State
from drymon.shop.verdict.reasons import REASONS, Effect
from tests.shop.invented_shop import MODELS, STEADY, Shop, text
from tests.shop.test_alarms import HOLD, HOLDS, NOW, Course
from tests.shop.test_alarms_conditions import Room, said, tree

AIR = Key("air-out-of-band", "rack-a", "humidity")


@pytest.fixture
def course() -> Course:
    return Course()


@pytest.fixture
def room() -> Room:
    return Room()


def graded(course: Course, minute: float, key: Key, severity: str) -> list[Alert]:
    """The cause holds at this minute, so far from safe."""
    said = [Condition(key, Truth.HOLDS, "It is so.", "Do it soon.", severity)]
    course.book, alerts = update(course.book, course.time(minute), said)
    course.alerts += alerts
    return alerts


# The book


def test_an_alarm_goes_out_as_grave_as_its_cause_and_with_the_words_for_that(course: Course) -> None:
    (alert,) = graded(course, 0, HOLD, "warning")
    assert alert.severity == "warning"
    assert KINDS["tree-hold"].milder["warning"].action in alert.text
    assert KINDS["tree-hold"].matters not in alert.text


def test_a_cause_that_says_nothing_of_it_is_as_grave_as_its_kind(course: Course) -> None:
    course.at(0, (HOLD, HOLDS))
    assert course.alerts[0].severity == "danger"


def test_what_becomes_graver_is_told_once_more_and_must_be_seen_again(course: Course) -> None:
    graded(course, 0, HOLD, "warning")
    course.book = acknowledge(course.book, course.id(), "kim", course.time(1))
    assert graded(course, 2, HOLD, "warning") == []
    (worse,) = graded(course, 3, HOLD, "danger")
    assert (worse.id, worse.severity) == (course.alerts[0].id, "danger")
    assert worse.text.startswith("Worse now: ")
    assert course.states() == [AlarmState.UNACKNOWLEDGED]
    assert graded(course, 4, HOLD, "danger") == []


def test_what_hovers_about_a_limit_is_not_told_each_time(course: Course) -> None:
    for minute in range(60):
        graded(course, minute, HOLD, "danger" if minute % 2 else "warning")
    assert [alert.severity for alert in course.alerts] == ["warning", "danger"]


def test_a_notice_of_an_alarms_kind_only_tells(course: Course) -> None:
    graded(course, 0, HOLD, "notice")
    assert not course.book.standing()[0].unacknowledged
    with pytest.raises(AlarmError, match="notice"):
        acknowledge(course.book, course.id(), "kim", course.time(1))
    assert graded(course, 3000, HOLD, "notice") == [], "it is never repeated"
    course.at(3001, (HOLD, Truth.CLEAR))
    assert course.book.standing() == [], "and does not wait for anybody once it is over"


def test_a_new_occasion_begins_as_mild_as_it_is(course: Course) -> None:
    graded(course, 0, HOLD, "danger")
    course.at(1, (HOLD, Truth.CLEAR))
    assert [alert.severity for alert in graded(course, 2, HOLD, "warning")] == ["warning"]


def test_of_several_causes_of_one_alarm_the_gravest_counts() -> None:
    mild, grave = (Condition(HOLD, Truth.HOLDS, severity=one) for one in ("warning", "danger"))
    for told in ([mild, grave], [grave, mild]):
        _, (alert,) = update(AlarmBook(), NOW, told)
        assert alert.severity == "danger"


def test_severity_survives_the_disk_and_a_book_of_before_has_its_kinds(course: Course) -> None:
    graded(course, 0, HOLD, "warning")
    kept = document(course.book)
    assert from_document(kept) == course.book
    for row in kept["entries"]:
        del row["severity"], row["told_as"]
    assert from_document(kept).standing()[0].severity == "danger"


def over(course: Course, *places: str) -> None:
    """Silences of these places, come and gone unseen, and one that stands."""
    keys = [Key("sensor-silent", place) for place in places]
    for minute in (0, 2):
        course.at(minute, *((key, HOLDS) for key in keys), (Key("sensor-silent", "stays"), HOLDS))
    for minute in (10, 12):
        course.at(minute, *((key, Truth.CLEAR) for key in keys), (Key("sensor-silent", "stays"), HOLDS))


def test_all_that_are_over_are_acknowledged_at_once_and_no_other(course: Course) -> None:
    over(course, "rack-a", "rack-b")
    assert sorted(course.states()) == [AlarmState.UNACKNOWLEDGED, *[AlarmState.RETURNED] * 2]
    before = course.book
    course.book = act_of({"act": "acknowledge-over", "by": "kim"}, course.time(20))(course.book)
    assert [entry.key.subject for entry in course.book.standing()] == ["stays"]
    assert course.states() == [AlarmState.UNACKNOWLEDGED]
    assert [each.split(":")[1] for each in acknowledged(before, course.book)] == ["rack-a", "rack-b"]


def test_what_somebody_has_shelved_is_left_to_them(course: Course) -> None:
    over(course, "rack-a", "rack-b")
    shelved = next(entry.id for entry in course.book.over() if entry.key.subject == "rack-a")
    course.book = shelve(course.book, shelved, course.time(600), "a new battery comes", "ana", course.time(20))
    course.book = acknowledge_over(course.book, "kim", course.time(21))
    assert [entry.key.subject for entry in course.book.standing()] == ["rack-a", "stays"]
    assert course.book.over() == []


def test_nothing_that_is_over_is_an_error_that_says_so(course: Course) -> None:
    course.at(0, (HOLD, HOLDS))
    with pytest.raises(AlarmError, match="no alarm is over"):
        acknowledge_over(course.book, "kim", course.time(1))
    over(course, "rack-a")
    with pytest.raises(AlarmError, match="a name is needed"):
        acknowledge_over(course.book, "", course.time(20))


# What holds in the room


def early(severity: str, number: int) -> object:
    reasons = (Reason("redipped-early", f"the coat below was so ({number})", severity),)
    return replace(tree(number=number, dipped_at=NOW + timedelta(hours=number)), reasons=reasons)


@pytest.mark.parametrize("severity", ["notice", "warning"])
def test_a_habit_of_dipping_nearly_dry_coats_is_told_once_a_tree(room: Room, severity: str) -> None:
    told: list[Alert] = []
    for number in range(2, 8):
        room.trees = [early(severity, number)]  # type: ignore[list-item]
        told += room.run(300)
    assert [(alert.state, alert.severity) for alert in told] == [("raised", severity)]
    room.trees = [tree(number=8)]
    assert said(room.run()) == [("redipped-early", "t-1", "cleared")], "a dip in its time ends it"


def test_each_dip_over_a_wet_coat_is_a_danger_of_its_own(room: Room) -> None:
    room.trees = [early("warning", 2)]  # type: ignore[list-item]
    room.run()
    told: list[Alert] = []
    for number in (3, 4):
        room.trees = [early("danger", number)]  # type: ignore[list-item]
        told += [alert for alert in room.run() if alert.state == "raised"]
    assert [alert.severity for alert in told] == ["danger", "danger"]
    assert told[0].id != told[1].id
    assert "the coat below was so (3)" in told[0].text


HOLDING = [code for code, kind in REASONS.items() if kind.effect is Effect.HOLD]


@pytest.mark.parametrize("code", HOLDING)
def test_every_reason_that_holds_says_how_grave_it_is_and_what_to_look_for(code: str) -> None:
    assert REASONS[code].severity is not None
    assert len(REASONS[code].look_for.split()) >= 4


def test_a_hold_is_as_grave_as_the_gravest_of_its_reasons_and_says_what_to_look_for(room: Room) -> None:
    waits = Reason("too-long", "it waited too long", REASONS["too-long"].severity)
    room.trees = [replace(tree("t-1", State.HOLD), reasons=(waits,))]
    (alert,) = room.run()
    assert alert.severity == "warning"
    assert "Signs to look for: hair cracks" in alert.text
    scale = Reason("weight-disagrees", "weight and air disagree", REASONS["weight-disagrees"].severity)
    room.trees = [replace(tree("t-1", State.HOLD), reasons=(waits, scale))]
    (worse,) = room.run()
    assert worse.severity == "danger"


def test_a_room_a_little_too_damp_is_a_notice_told_once(room: Room) -> None:
    """The coat asks for 35 to 55 %RH: 60 is a quarter of that width outside, 75 is as much as the whole width."""
    room.trees = [tree()]
    room.air = AirNow(22, 60, 2)
    (alert,) = room.run(3 * 24 * 60)
    assert (alert.kind, alert.severity) == ("air-out-of-band", "notice")
    assert "room.toml" in alert.text, "where it is always so there is something to do about it"
    room.air = AirNow(22, 75, 2)
    (worse,) = room.run(3 * 24 * 60)
    assert (worse.id, worse.severity) == (alert.id, "warning")
    assert "Do it within the hour" in worse.text


# From the air to the alarm: the same shop, three paces


OPEN_AIR = {**STEADY, Quantity.HUMIDITY: 45.0}


def redipped(share_of_time: float) -> tuple[list[Alert], str]:
    """Seven open coats of one tree, each dipped after this share of the time by which a coat is surely dry."""
    shop = Shop(models={name: replace(model, runs=0) for name, model in MODELS.items()})
    shop.run(1.0, OPEN_AIR)
    shop.dip("t-1", "rough", number=1)
    begun = shop.now
    shop.until("t-1", State.READY, air=OPEN_AIR)
    surely = (shop.now - begun).total_seconds() / 3600.0
    shop.dip("t-2", "rough", number=1)
    for _ in range(6):
        shop.run(share_of_time * surely, OPEN_AIR)
        shop.dip("t-2", "rough")
        shop.run(0.05, OPEN_AIR)
    alerts = [
        one for one in shop.said if isinstance(one, Alert) and (one.kind, one.subject) == ("redipped-early", "t-2")
    ]
    return alerts, text(shop.tree("t-2"), "redipped-early")


def test_six_open_coats_dipped_when_likely_dry_are_one_notice() -> None:
    alerts, reason = redipped(0.85)
    assert [(alert.state, alert.severity) for alert in alerts] == [("raised", "notice")]
    assert "the coat below was still drying when this one was dipped" in reason


def test_coats_dipped_wet_are_a_danger_each_time() -> None:
    alerts, _ = redipped(0.1)
    raised = [alert for alert in alerts if alert.state == "raised"]
    assert [alert.severity for alert in raised] == ["danger"] * 6
    assert "0 % sure to be dry" in raised[0].text
