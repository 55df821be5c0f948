"""Whether "surely by" was kept: told at a dip, held against when drymon's own word had the coat dry."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from drymon.drying.quantities import Quantity
from drymon.messages.message import Message
from drymon.readback.promises import GRACE, Outcome, Promise, Tally, on_record, promises, tally_words
from drymon.shop.facts.events import Dip, Leave, LogEvent, Undo
from drymon.shop.facts.lives import lives_of
from drymon.shop.facts.outcome import Reason, State, Verdict, When
from drymon.shop.facts.reading import Reading
from drymon.store import Store
from drymon.views.fit.overruns import coat_rows, overrun_rows
from tests.views.invented import ROOM, hours

NEVER = When(None, None, None)


def dip(at: float, tree: str = "t-1", coat: str = "backup", **more: object) -> Dip:
    return Dip(time=hours(at), arrived=hours(at), tree=tree, rack="rack-a", coat=coat, **more)


def said(at: float, dipped: float, state: State, late: float | None = None, *codes: str, **more: object) -> Verdict:
    """A verdict said at `at` of the coat dipped at `dipped`, surely dry by `late`."""
    when = NEVER if late is None else When(hours(dipped + 1), hours(dipped + 2), hours(late))
    told = Verdict(
        hours(at), hours(at) + timedelta(minutes=10), "t-1", "rack-a", "backup", 1, hours(dipped), state, None, when,
        None, tuple(Reason(code, code) for code in codes),
    )  # fmt: skip
    return replace(told, **more)


def wet(at: float, dipped: float, late: float | None, *codes: str, **more: object) -> Verdict:
    return said(at, dipped, State.DRYING, late, "wet", *codes, **more)


def found(events: Sequence[LogEvent], verdicts: Sequence[Verdict], end: float = 40.0) -> list[Promise]:
    (life,) = lives_of(events, hours(end))
    return promises(life.coats, verdicts)


def only(*verdicts: Verdict, end: float = 40.0, events: Sequence[LogEvent] = ()) -> Promise:
    (one,) = found([dip(0), *events], verdicts, end)
    return one


def test_kept_when_it_was_ready_by_the_first_bound_whatever_was_told_later() -> None:
    one = only(wet(0, 0, 10), wet(3, 0, 6), said(9.9, 0, State.READY, 9.9))
    assert (one.outcome, one.bound, one.told) == (Outcome.KEPT, hours(10), hours(0))
    assert (one.dry, one.starting) == (hours(9.9), False)
    assert only(wet(0, 0, 10, "starting-model"), said(9, 0, State.COMPLETE, 9)).starting


@pytest.mark.parametrize(("minutes", "outcome"), [(0.0, Outcome.KEPT), (1.0, Outcome.OVERRUN)])
def test_the_record_knows_five_minutes(minutes: float, outcome: Outcome) -> None:
    late = hours(10) + GRACE + timedelta(minutes=minutes)
    assert timedelta(minutes=5) == GRACE
    one = only(wet(0, 0, 10), replace(said(0, 0, State.READY, 10), time=late))
    assert one.outcome is outcome
    assert one.over == late - hours(10)


def test_overrun_when_it_was_ready_later_or_never() -> None:
    late = only(wet(0, 0, 10), wet(3, 0, 14), said(12.5, 0, State.READY, 12))
    assert (late.outcome, late.over) == (Outcome.OVERRUN, timedelta(hours=2.5))
    never = only(wet(0, 0, 10), wet(3, 0, 14), end=13.0)
    assert (never.outcome, never.over, never.dry) == (Outcome.OVERRUN, timedelta(hours=3), None)


def test_the_next_dip_or_a_leave_before_the_bound_says_nothing() -> None:
    first, second = found([dip(0), dip(6)], [wet(0, 0, 10), wet(6, 6, 16), said(15, 6, State.READY, 15)])
    assert (first.outcome, second.outcome) == (Outcome.CENSORED, Outcome.KEPT)
    left = Leave(time=hours(4), arrived=hours(4), tree="t-1")
    assert only(wet(0, 0, 10), events=[left]).outcome is Outcome.CENSORED
    after = only(wet(0, 0, 10), events=[replace(left, time=hours(11), arrived=hours(11))])
    assert after.outcome is Outcome.OVERRUN  # wet still, an hour beyond its bound


def test_a_bound_that_is_still_to_come_is_open() -> None:
    assert only(wet(0, 0, 10), end=9.0).outcome is Outcome.RUNNING


def test_dry_but_held_is_dry_and_a_hold_that_is_wet_is_not() -> None:
    held = only(wet(0, 0, 10), said(9, 0, State.HOLD, 9, "pocket-unlearned", "starting-model"))
    assert (held.outcome, held.dry) == (Outcome.KEPT, hours(9))
    wet_still = said(5, 0, State.HOLD, 10, "too-long", "pocket-wet")
    assert only(wet(0, 0, 10), wet_still, said(12, 0, State.HOLD, 12, "too-long")).dry == hours(12)


def test_a_call_that_was_taken_back_counts_from_its_first_word() -> None:
    one = only(wet(0, 0, 10), said(9, 0, State.READY, 9), wet(9.5, 0, 12, "taken-back"), said(12, 0, State.READY, 12))
    assert one.outcome is Outcome.KEPT


def test_nobody_could_tell_is_counted_and_no_promise_until_it_is_told() -> None:
    gap = (said(2, 0, State.UNKNOWN, None, "air-unknown"), wet(5, 0, 15))
    one = only(wet(0, 0, 10), *gap, said(12, 0, State.READY, 12))
    assert (one.outcome, one.unknown) == (Outcome.OVERRUN, timedelta(hours=3))
    late = only(said(0, 0, State.UNKNOWN, None, "air-unknown"), wet(2, 0, None), wet(4, 0, 20), end=8.0)
    assert (late.told, late.unknown) == (hours(4), timedelta())
    assert found([dip(0)], [wet(0, 0, None)]) == []
    assert found([dip(0)], [said(0, 0, State.READY, 0)]) == []


def test_a_dip_that_was_taken_back_promised_nothing() -> None:
    undo = Undo(time=hours(6.1), arrived=hours(6.1), tree="t-1")
    events = [dip(0), replace(dip(6), place=2.0), replace(undo, place=3.0)]
    (one,) = found(events, [wet(0, 0, 10), wet(6, 6, 8), said(9, 0, State.READY, 9)])
    assert (one.told, one.outcome) == (hours(0), Outcome.KEPT)


def tally(kept: int, *over: float, coat: str = "backup", censored: int = 0, running: int = 0) -> list[Promise]:
    base = only(wet(0, 0, 10), said(9, 0, State.READY, 9))
    own = [base] * kept + [replace(base, dry=hours(10 + hour)) for hour in over]
    own += [replace(base, dry=None, end=hours(5), hangs=False)] * censored
    own += [replace(base, dry=None, end=hours(5), hangs=True)] * running
    return [replace(one, coat=coat) for one in own]


def test_what_is_told_of_it() -> None:
    assert tally_words(Tally(tally(17))) == "17 told at a dip, 17 kept"
    one = Tally([*tally(11, censored=3, running=2), *tally(3, 2.1, coat="seal")])
    assert tally_words(one) == ("20 told at a dip, 14 kept; 1 overrun, by 2.1 h (seal); 3 dipped before; 2 to come")
    more = Tally([*tally(2, 1.0, 4.0), *tally(0, 2.0, coat="seal")])
    assert tally_words(more) == (
        "5 told at a dip, 2 kept; 3 overrun, by 2.0 h in the middle, 4.0 h at most, 2 by over a tenth of "
        "their wait (2 of backup, 1 of seal)"
    )
    assert [row["told"] for row in coat_rows(one)] == ["16", "4"]
    assert {row["model"] for row in coat_rows(one)} == {"fitted"}
    assert [(row["overrun"], row["most_h"]) for row in coat_rows(more)] == [("2", "4.0"), ("1", "2.0")]


@pytest.mark.parametrize(
    ("kept", "over", "too_often"),
    [
        (20, (), False),
        (0, (), False),
        (0, (9.0,), False),  # one alone is no habit
        (8, (1.1, 1.1), True),
        (8, (1.1, 0.9), False),  # of a wait of 10 h an hour over upsets no plan
        (18, (1.1, 1.1), False),  # one in ten
        (17, (1.1, 1.1), True),
        (0, (0.5, 0.5, 0.5), False),
    ],
)
def test_far_over_and_often_is_to_be_looked_at(kept: int, over: tuple[float, ...], too_often: bool) -> None:
    assert Tally(tally(kept, *over, censored=50, running=50)).too_often is too_often


def hear(store: Store, at: datetime, quantity: Quantity, value: float) -> None:
    heard = Reading(time=at, arrived=at, place="room", quantity=quantity, value=value, sensor="")
    store.record(Message(at, f"drymon/shop/room/{quantity.value}", str(value).encode()), [heard])


def test_on_record_with_the_air_that_overran_it(tmp_path: Path) -> None:
    """A home of some hours: 45 %RH when it was told, 70 %RH from then on."""
    with Store.open(tmp_path / "drymon.db") as store:
        assert on_record(store).promises == ()
        for minute in range(-60, 13 * 60, 5):
            at = hours(2) + timedelta(minutes=minute)
            damp = 45.0 if minute < 0 else 70.0
            hear(store, at, Quantity.HUMIDITY, damp)
            hear(store, at, Quantity.TEMPERATURE, 21.0)
        store.record(Message(hours(2), "drymon/shop/log/dip", b"{}"), [dip(2)])
        store.add_outcomes([wet(2, 2, 10), wet(6, 2, 12), said(12.5, 2, State.READY, 12)])
        found = on_record(store)
        (row,) = overrun_rows(store, ROOM, found)
    assert tally_words(found) == "1 told at a dip, 0 kept; 1 overrun, by 2.5 h (backup)"
    assert row["over_h"] == "2.5"
    assert row["then"] == "21.0 °C, 45 %RH"
    assert row["since"] == "21.0 °C, 70 %RH"
    assert (row["tree"], row["coat"], row["unknown"]) == ("t-1", "backup 1", "")
