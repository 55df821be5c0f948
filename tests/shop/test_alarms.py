"""The alarm book, case by case, at the exact edges of its delays.

The notions are those of ANSI/ISA-18.2 and IEC 62682 as OPC 10000-9 (5.8: OnDelay, OffDelay, ReAlarmTime, Shelving)
tells them; the minutes are drymon's own table.
"""

import json
from datetime import UTC, datetime, timedelta

import pytest

from drymon.errors import AlarmError
from drymon.shop.alarms.alarm_acts import about_of, acknowledge, done, in_service, out_of_service, shelve, unshelve
from drymon.shop.alarms.alarm_book import AlarmBook, AlarmState, Condition, Key, Truth, is_of_service
from drymon.shop.alarms.alarm_document import document, from_document
from drymon.shop.alarms.alarm_kinds import KINDS
from drymon.shop.alarms.raising import update
from drymon.shop.facts.outcome import Alert

NOW = datetime(2031, 3, 3, 6, tzinfo=UTC)
SILENT = Key("sensor-silent", "rack-a")  # on and off after 2 min, again after 24 h
HOLD = Key("tree-hold", "t-1", "4")  # at once, again after 24 h
READY = Key("rack-ready", "rack-a")
HOLDS, CLEAR, UNCLEAR = Truth.HOLDS, Truth.CLEAR, Truth.UNCLEAR


class Course:
    """A book and the alerts it gave, driven minute by minute."""

    def __init__(self) -> None:
        self.book, self.alerts = AlarmBook(), list[Alert]()

    def at(self, minute: float, *facts: tuple[Key, Truth]) -> list[tuple[str, str]]:
        said = [Condition(key, truth, f"{key.subject} is so.", "Do it soon.") for key, truth in facts]
        self.book, alerts = update(self.book, self.time(minute), said)
        self.alerts += alerts
        return [(alert.kind, alert.state) for alert in alerts]

    @staticmethod
    def time(minute: float) -> datetime:
        return NOW + timedelta(minutes=minute)

    def id(self) -> str:
        return self.alerts[-1].id

    def states(self) -> list[AlarmState]:
        return [self.book.state(entry) for entry in self.book.standing()]


@pytest.fixture
def course() -> Course:
    return Course()


def test_what_is_over_is_told_before_what_has_begun(course: Course) -> None:
    """One tree, one kind, two coats: who follows kind and subject ends on what stands, whatever the numbers' order."""
    course.at(0, (HOLD, HOLDS))
    said = course.at(1, (HOLD, CLEAR), (Key("tree-hold", "t-1", "3"), HOLDS))
    assert said == [("tree-hold", "cleared"), ("tree-hold", "raised")]


def test_every_kind_that_others_may_rely_on_is_there() -> None:
    public = {
        "rack-ready", "tree-ready", "window-closing", "tree-hold", "redipped-early", "air-out-of-band",
        "sensor-silent", "sensor-stuck", "cell-doubt", "model-doubt",
    }  # fmt: skip
    assert public <= set(KINDS)
    notices = {name for name, kind in KINDS.items() if not kind.is_alarm}
    assert notices == {"rack-ready", "tree-ready"}


@pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS)
def test_every_kind_says_what_why_and_what_to_do(kind: object) -> None:
    for text in (kind.meaning, kind.matters, kind.action):  # type: ignore[attr-defined]
        assert len(text.split()) >= 3
        assert text.endswith(".")


def test_a_raised_text_says_what_why_what_to_do_and_by_when(course: Course) -> None:
    course.at(0, (HOLD, HOLDS))
    text = course.alerts[0].text
    parts = ["t-1 is so.", KINDS["tree-hold"].matters, KINDS["tree-hold"].action, "Do it soon."]
    assert [text.index(part) for part in parts] == sorted(text.index(part) for part in parts)


def test_on_delay_to_the_minute(course: Course) -> None:
    assert course.at(0, (SILENT, HOLDS)) == []
    assert course.at(1.99, (SILENT, HOLDS)) == []
    assert course.at(2, (SILENT, HOLDS)) == [("sensor-silent", "raised")]


def test_a_brief_excursion_raises_nothing(course: Course) -> None:
    course.at(0, (SILENT, HOLDS))
    course.at(1, (SILENT, CLEAR))
    assert course.at(2, (SILENT, HOLDS)) == []
    assert course.at(3, (SILENT, HOLDS)) == []


def test_off_delay_to_the_minute_and_the_text_says_how_long_it_lasted(course: Course) -> None:
    course.at(0, (SILENT, HOLDS))
    course.at(2, (SILENT, HOLDS))
    course.at(60, (SILENT, CLEAR))
    assert course.at(61.99, (SILENT, CLEAR)) == []
    assert course.at(62, (SILENT, CLEAR)) == [("sensor-silent", "cleared")]
    assert course.alerts[-1].id == course.alerts[0].id
    assert "1 h" in course.alerts[-1].text


@pytest.mark.parametrize("silence", [[], [(SILENT, UNCLEAR)]], ids=["not mentioned", "unclear"])
def test_silence_neither_raises_nor_clears(course: Course, silence: list[tuple[Key, Truth]]) -> None:
    course.at(0, (SILENT, HOLDS))
    assert course.at(500, *silence) == []
    course.at(501, (SILENT, HOLDS))
    for minute in range(600, 3000, 100):
        assert course.at(minute, *silence) == []
    assert course.states() == [AlarmState.UNACKNOWLEDGED]


def test_a_gap_starts_the_off_delay_anew(course: Course) -> None:
    course.at(0, (SILENT, HOLDS))
    course.at(2, (SILENT, HOLDS))
    course.at(10, (SILENT, CLEAR))
    course.at(11)
    assert course.at(12, (SILENT, CLEAR)) == []
    assert course.at(13.5, (SILENT, CLEAR)) == []
    assert course.at(14, (SILENT, CLEAR)) == [("sensor-silent", "cleared")]


def test_a_report_of_other_causes_is_no_gap(course: Course) -> None:
    """The service reports its disk between two minutes of the room."""
    course.at(0, (SILENT, HOLDS))
    course.at(2, (SILENT, HOLDS))
    course.at(10, (SILENT, CLEAR))
    disk = Condition(Key("disk-full-soon", "disk"), CLEAR)
    course.book, alerts = update(course.book, course.time(11), [disk], is_of_service)
    assert alerts == []
    assert course.at(12, (SILENT, CLEAR)) == [("sensor-silent", "cleared")]


def test_a_relapse_during_the_off_delay_is_the_same_alarm(course: Course) -> None:
    course.at(0, (SILENT, HOLDS))
    course.at(2, (SILENT, HOLDS))
    course.at(10, (SILENT, CLEAR))
    course.at(11, (SILENT, HOLDS))
    assert course.at(13, (SILENT, CLEAR)) == []
    assert len(course.alerts) == 1


def test_repeated_only_while_unacknowledged_and_while_it_is_known_to_hold(course: Course) -> None:
    course.at(0, (HOLD, HOLDS))
    assert course.at(1439, (HOLD, HOLDS)) == []
    assert course.at(1440, (HOLD, HOLDS)) == [("tree-hold", "raised")]
    assert course.alerts[0].id == course.alerts[1].id
    assert course.at(2880, (HOLD, UNCLEAR)) == []
    assert course.at(2881, (HOLD, HOLDS)) == [("tree-hold", "raised")]
    course.book = acknowledge(course.book, course.id(), "kim", course.time(2882))
    assert course.at(9000, (HOLD, HOLDS)) == []
    assert course.states() == [AlarmState.ACKNOWLEDGED]


def test_returned_without_acknowledgement_stays_listed_until_somebody_has_seen_it(course: Course) -> None:
    course.at(0, (SILENT, HOLDS))
    course.at(2, (SILENT, HOLDS))
    course.at(10, (SILENT, CLEAR))
    course.at(12, (SILENT, CLEAR))
    assert course.states() == [AlarmState.RETURNED]
    course.book = acknowledge(course.book, course.id(), "kim", course.time(20))
    assert course.book.standing() == []


def test_a_relapse_after_the_return_is_a_new_alarm(course: Course) -> None:
    for begin in (0, 100):
        course.at(begin, (SILENT, HOLDS))
        course.at(begin + 2, (SILENT, HOLDS))
        course.at(begin + 10, (SILENT, CLEAR))
        course.at(begin + 12, (SILENT, CLEAR))
    assert [alert.state for alert in course.alerts] == ["raised", "cleared"] * 2
    assert course.alerts[0].id != course.alerts[2].id


def test_a_notice_goes_by_itself_and_is_never_repeated(course: Course) -> None:
    assert course.at(0, (READY, HOLDS)) == [("rack-ready", "raised")]
    assert course.at(10_000, (READY, HOLDS)) == []
    assert course.at(10_001, (READY, CLEAR)) == [("rack-ready", "cleared")]
    assert course.book.standing() == []


def test_what_comes_goes_and_comes_within_an_instant_has_two_ids(course: Course) -> None:
    course.at(0, (READY, HOLDS))
    course.at(0, (READY, CLEAR))
    course.at(0, (READY, HOLDS))
    ids = [alert.id for alert in course.alerts]
    assert ids[0] == ids[1] == "rack-ready:rack-a:2031-03-03T06:00:00Z"
    assert ids[2] != ids[0]


def test_what_holds_wins_over_what_is_clear(course: Course) -> None:
    assert course.at(0, (HOLD, CLEAR), (HOLD, HOLDS), (HOLD, UNCLEAR)) == [("tree-hold", "raised")]


def test_acknowledging_ends_what_has_happened_and_is_over(course: Course) -> None:
    restored = Key("database-restored", "database")
    course.at(0, (restored, HOLDS))
    assert course.at(60) == []
    course.book = acknowledge(course.book, course.id(), "kim", course.time(61))
    assert course.at(62) == [("database-restored", "cleared")]


def test_a_shelf_silences_until_its_time_and_then_says_it_afresh(course: Course) -> None:
    course.at(0, (HOLD, HOLDS))
    course.book = acknowledge(course.book, course.id(), "kim", course.time(1))
    course.book = shelve(course.book, course.id(), course.time(600), "waits for wax", "kim", course.time(2))
    assert course.at(599, (HOLD, HOLDS)) == []
    assert course.states() == [AlarmState.SHELVED]
    assert course.at(600, (HOLD, HOLDS)) == [("tree-hold", "raised")]
    assert course.states() == [AlarmState.UNACKNOWLEDGED]


def test_what_comes_on_a_shelf_is_said_when_the_shelf_ends(course: Course) -> None:
    course.at(0, (HOLD, HOLDS))
    course.book = shelve(course.book, course.id(), course.time(600), "waits for wax", "kim", course.time(2))
    assert course.at(10, (HOLD, CLEAR)) == [("tree-hold", "cleared")], "its end is told to those who were told"
    assert course.at(20, (HOLD, HOLDS)) == []
    course.book = unshelve(course.book, course.alerts[0].id, "kim", course.time(30))
    assert course.at(30, (HOLD, HOLDS)) == [("tree-hold", "raised")]


def test_out_of_service_until_somebody_returns_it(course: Course) -> None:
    course.book = out_of_service(course.book, "sensor-silent", "rack-a", "new cable", "kim", NOW)
    course.at(0, (SILENT, HOLDS))
    assert course.at(20_000, (SILENT, HOLDS)) == []
    assert course.states() == [AlarmState.OUT_OF_SERVICE]
    course.book = in_service(course.book, "sensor-silent", "rack-a", "kim", course.time(20_001))
    assert course.at(20_001, (SILENT, HOLDS)) == [("sensor-silent", "raised")]


def test_a_clock_that_steps_back_shortens_no_delay(course: Course) -> None:
    course.at(0, (SILENT, HOLDS))
    course.at(2, (SILENT, HOLDS))
    course.at(10, (SILENT, CLEAR))
    assert course.at(-500, (SILENT, CLEAR)) == []
    assert course.at(12, (SILENT, CLEAR)) == [("sensor-silent", "cleared")]


@pytest.mark.parametrize(
    ("act", "says"),
    [
        (lambda book, id, now: acknowledge(book, "nothing", "kim", now), "no alarm with id 'nothing'"),
        (lambda book, id, now: acknowledge(book, id, " ", now), "a name is needed"),
        (lambda book, id, now: shelve(book, id, now, "why", "kim", now), "must lie after"),
        (lambda book, id, now: shelve(book, id, now + timedelta(days=8), "why", "kim", now), "at most 7 days"),
        (lambda book, id, now: shelve(book, id, now + timedelta(1), "", "kim", now), "a reason is needed"),
        (lambda book, id, now: unshelve(book, id, "kim", now), "is not shelved"),
        (lambda book, id, now: out_of_service(book, "noise", "x", "why", "kim", now), "'noise' is no kind"),
        (lambda book, id, now: in_service(book, "tree-hold", "t-1", "kim", now), "is not out of service"),
    ],
)
def test_an_act_that_makes_no_sense_says_why(course: Course, act: object, says: str) -> None:
    course.at(0, (HOLD, HOLDS))
    with pytest.raises(AlarmError, match=says):
        act(course.book, course.id(), course.time(1))


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ({"act": "acknowledge", "id": "tree-hold:t-1:4"}, "done: acknowledge tree-hold:t-1:4"),
        (
            {"act": "out-of-service", "kind": "sensor-silent", "subject": "rack-b"},
            "done: out-of-service sensor-silent:rack-b",
        ),
        ({"act": "acknowledge-over", "id": "x"}, "done: all that are over are acknowledged"),
    ],
)
def test_what_was_done_is_said_with_what_it_was_done_to(words: dict[str, str], says: str) -> None:
    assert done(words["act"], about_of(words)) == says


def test_a_notice_takes_no_acknowledgement(course: Course) -> None:
    course.at(0, (READY, HOLDS))
    with pytest.raises(AlarmError, match="notice"):
        acknowledge(course.book, course.id(), "kim", NOW)


def test_a_condition_of_no_kind_is_refused(course: Course) -> None:
    with pytest.raises(AlarmError, match="no kind of alarm"):
        course.at(0, (Key("noise", "x"), HOLDS))


def test_the_book_survives_the_disk(course: Course) -> None:
    course.at(0, (HOLD, HOLDS), (SILENT, HOLDS), (READY, HOLDS))
    course.at(2, (HOLD, HOLDS), (SILENT, HOLDS))
    course.book = shelve(course.book, course.id(), course.time(99), "a new cable", "kim", course.time(3))
    course.at(4, (SILENT, CLEAR))
    assert from_document(json.loads(json.dumps(document(course.book)))) == course.book
    assert from_document({}) == AlarmBook()
