"""Which state held when, and which dips stand."""

from dataclasses import replace
from datetime import timedelta

from drymon.readback.coat_history import coats_of, coats_on, stretches
from drymon.shop.facts.events import Dip, Leave, Move
from drymon.shop.facts.outcome import State
from tests.views.invented import hours, tree_history, verdict


def test_coats_are_split_by_dip_and_end_where_the_next_begins() -> None:
    coats = coats_of(tree_history(), hours(46))
    assert [coat.first.number for coat in coats] == [1, 2, 3, 4, 5, 6]
    assert [coat.end for coat in coats] == [hours(h) for h in (8.0, 15.5, 24.0, 31.0, 38.5, 46.0)]
    assert all(coat.ready_at is not None and coat.first.dipped_at < coat.ready_at < coat.end for coat in coats)


def test_past_its_validity_a_verdict_is_unknown_whatever_it_said() -> None:
    ready = verdict("t-1", -20, 0.0, state=State.READY)
    late = replace(ready, time=hours(3), valid_until=hours(3.25))
    found = [(piece.state, piece.begin, piece.end, piece.watched) for piece in stretches([ready, late], hours(3.1))]
    assert found == [
        (State.READY, hours(0), hours(0.25), True),
        (State.UNKNOWN, hours(0.25), hours(3), False),
        (State.READY, hours(3), hours(3.1), True),
    ]


def dip(at: float, tree: str = "t-1", coat: str = "backup") -> Dip:
    return Dip(time=hours(at), arrived=hours(at), tree=tree, rack="rack-a", coat=coat)


def test_the_coats_on_a_rack_are_those_that_hung_there_in_the_span_wherever_they_were_dipped() -> None:
    leave = Leave(time=hours(2), arrived=hours(2), tree="t-1")
    move = Move(time=hours(6), arrived=hours(6), tree="t-2", rack="rack-b")
    log = [dip(0), leave, dip(3, "t-2", "prime"), dip(4, coat="seal"), move]
    assert coats_on("rack-a", log, hours(0), hours(9)) == {"backup", "prime", "seal"}
    assert coats_on("rack-a", log, hours(7), hours(9)) == {"seal"}, "a name given again hangs"
    assert coats_on("rack-b", log, hours(0), hours(9)) == {"prime"}
    assert coats_on("rack-b", log, hours(0), hours(6)) == set()


def test_a_history_never_holds_longer_than_it_is_valid() -> None:
    rows = tree_history()
    watched = sum((p.end - p.begin for p in stretches(rows, hours(60)) if p.watched), timedelta())
    last = rows[-1].valid_until
    assert watched <= last - rows[0].time
