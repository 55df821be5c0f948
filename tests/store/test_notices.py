"""Alarms, the outbox, people and their decisions."""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from types import SimpleNamespace

import pytest

from drymon.shop.alarms.alarm_book import AlarmBook, Entry, Key, Pause
from drymon.store import AlarmChange, AuditLine, Calibration, LeftOut, Session, Store, User


def test_a_notice_is_queued_once_per_occasion(store: Store, make: SimpleNamespace) -> None:
    assert store.queue_notice(make.at(0), "mail", {"text": "t-7 is ready ✔"}, "tree-ready:t-7:4")
    assert not store.queue_notice(make.at(5), "mail", {"text": "again"}, "tree-ready:t-7:4")
    (notice,) = store.notices()
    assert (notice.payload, notice.attempts, notice.delivered_at) == ({"text": "t-7 is ready ✔"}, 0, None)


def test_a_claimed_notice_comes_again_only_after_its_lease(store: Store, make: SimpleNamespace) -> None:
    for key in "abc":
        store.queue_notice(make.at(0), "mail", {}, key)
    assert [notice.key for notice in store.claim_notices(make.at(0), limit=2)] == ["a", "b"]
    assert [notice.key for notice in store.claim_notices(make.at(1))] == ["c"]
    assert store.claim_notices(make.at(60)) == []
    assert [notice.key for notice in store.claim_notices(make.at(120))] == ["a", "b"]
    assert [notice.attempts for notice in store.notices()] == [2, 2, 1]


def test_delivered_and_failed(store: Store, reopened: Callable[[], Store], make: SimpleNamespace) -> None:
    for key in "ab":
        store.queue_notice(make.at(0), "hook", {}, key)
    first, second = store.claim_notices(make.at(1))
    assert store.last_delivered() is None
    store.notice_delivered(first.id, make.at(2))
    store.notice_failed(second.id, "no route to host", make.at(500))
    with reopened() as again:
        assert again.last_delivered() == make.at(2)
        (waiting,) = again.notices()
        assert (waiting.key, waiting.error, waiting.next_try) == ("b", "no route to host", make.at(500))
        assert again.claim_notices(make.at(499)) == []
        assert [notice.key for notice in again.claim_notices(make.at(500))] == ["b"]
        assert not again.queue_notice(make.at(600), "hook", {}, "a")


def test_alarm_documents_and_log(store: Store, make: SimpleNamespace) -> None:
    store.save_alarms({"a": {"n": 1, "deep": [None, {"x": 1.5}]}, "b": {"n": 2}})
    store.save_alarms({"b": None, "c": {}})
    assert store.load_alarms() == {"a": {"n": 1, "deep": [None, {"x": 1.5}]}, "c": {}}
    store.log_alarm(make.at(1), "a", "raised")
    store.log_alarm(make.at(2), "a", "acknowledged", "ann", {"note": "seen"})
    assert list(store.alarm_log()) == [
        AlarmChange(make.at(1), "a", "raised", "", {}),
        AlarmChange(make.at(2), "a", "acknowledged", "ann", {"note": "seen"}),
    ]
    assert [change.change for change in store.alarm_log(make.at(2))] == ["acknowledged"]


def test_the_alarm_book_is_kept_row_by_row(
    monkeypatch: pytest.MonkeyPatch, store: Store, reopened: Callable[[], Store], make: SimpleNamespace
) -> None:
    keys = [Key("tree-hold", "t-7", "4"), Key("tree-hold", "t-7", "5"), Key("sensor-silent", "rack-a/temperature")]
    entries = {
        key: Entry(key, "what", "by", "warning", raised_at=make.at(1.5), id=f"{key.kind}:{n}")
        for n, key in enumerate(keys)
    }
    pauses = {("tree-hold", "t-7"): Pause("ann", "at work", make.at(0), make.at(60))}
    book = AlarmBook(entries, pauses, make.at(3), frozenset({"x", "y"}))
    assert store.alarm_book() == AlarmBook()
    store.save_alarm_book(book)
    assert store.alarm_book() == book
    fewer = replace(book, entries={keys[2]: replace(entries[keys[2]], phase="returned")}, pauses={}, now=make.at(60))
    store.save_alarm_book(fewer)
    changed: list[int] = []
    execute = store._db.execute
    monkeypatch.setattr(store._db, "execute", lambda *words: changed.append(execute(*words)))
    store.save_alarm_book(replace(fewer, now=make.at(120)))
    assert [rows for rows in changed if rows > 0] == [1]
    with reopened() as again:
        assert again.alarm_book() == replace(fewer, now=make.at(120))


def test_users_and_audit(store: Store, make: SimpleNamespace) -> None:
    store.save_user("ann", "scrypt:1", make.at(0))
    store.save_user("bob", "scrypt:2", make.at(1))
    store.save_user("ann", "scrypt:3", make.at(9))
    assert store.users() == [User("ann", "scrypt:3", make.at(0)), User("bob", "scrypt:2", make.at(1))]
    assert (store.user("bob"), store.user("eve")) == (User("bob", "scrypt:2", make.at(1)), None)
    assert (store.remove_user("bob"), store.remove_user("bob")) == (True, False)
    store.add_audit(make.at(5), "ann", "dip", "t-7")
    store.add_audit(make.at(6), "ann", "undo")
    assert list(store.audit(make.at(0), make.at(6))) == [AuditLine(make.at(5), "ann", "dip", "t-7")]


def test_sessions_end_one_by_one_and_by_age(store: Store, make: SimpleNamespace) -> None:
    old, new = Session("h-1", "ann", "p", make.at(0)), Session("h-2", "ann", "p", make.at(50))
    for session in (old, new):
        store.save_session(session)
    assert (store.session("h-1"), store.session("h-3")) == (old, None)
    store.end_sessions_before(make.at(50))
    assert (store.session("h-1"), store.session("h-2")) == (None, new)
    store.end_session("h-2")
    assert store.session("h-2") is None


def test_runs_left_out(store: Store, make: SimpleNamespace) -> None:
    first = LeftOut("t-7:4", "scale knocked", "ann", make.at(0))
    store.leave_run_out(first)
    store.leave_run_out(replace(first, reason="wrong cell"))
    assert store.runs_left_out() == {"t-7:4": replace(first, reason="wrong cell")}
    assert (store.take_run_back("t-7:4"), store.take_run_back("t-7:4")) == (True, False)
    assert store.runs_left_out() == {}


def test_calibrations_stay_and_the_newest_is_last(store: Store, make: SimpleNamespace) -> None:
    made = [
        Calibration(make.at(n), sensor, "weight", {"scale": 1.0 + n})
        for n, sensor in enumerate(["cell-1", "cell-2", "cell-1"])
    ]
    for calibration in made:
        store.add_calibration(calibration)
    assert store.calibrations() == made
    assert store.calibrations("cell-1") == [made[0], made[2]]
    assert store.calibrations("cell-1", "humidity") == []
    assert made[0].time + timedelta(seconds=2) == store.calibrations("cell-1")[-1].time
