"""What is taken back is what was said last and still stands, or the entry named; it is as if it had never been said."""

from dataclasses import replace
from datetime import timedelta

import pytest

from drymon.drying.quantities import Quantity
from drymon.shop.facts.events import Dip, Felt, Leave, Look, Move, TreeEvent, Undo, Weigh
from drymon.shop.facts.lives import lives_of
from drymon.shop.facts.outcome import State, Verdict
from drymon.shop.facts.standing import entry_of, in_time, judged, taken_by
from tests.shop.invented_shop import BEGIN, STEADY, Shop, gone, reading

HOUR = timedelta(hours=1)


def said(shop: Shop, kind: type[TreeEvent], tree: str = "t-1", **more: object) -> Verdict | None:
    """Tell an event now, of a time of its own where one is given; the tree's verdict afterwards, None where it left."""
    more.setdefault("time", shop.now)
    shop.tell(kind(arrived=shop.now, tree=tree, **more))
    return shop.room.standing().trees.get(tree)


def hung(hours: float = 1.0) -> Shop:
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "middle")
    shop.run(hours)
    return shop


def test_the_mistake_goes_and_the_correction_stays_whatever_times_they_speak_of() -> None:
    """Told for 23:10 by mistake, taken back, told for 17:52: the earlier time was said last."""
    shop, straight = Shop(), Shop()
    for each in (shop, straight):
        each.run(8.0)
    early, late = shop.now - 6 * HOUR, shop.now - HOUR
    shop.dip("t-1", "middle", time=late)
    assert gone(shop.undo("t-1"))
    corrected = shop.dip("t-1", "middle", time=early)
    assert corrected == straight.dip("t-1", "middle", time=early)
    assert shop.tree("t-1").dipped_at == early


@pytest.mark.parametrize(
    "event",
    [
        (Weigh, {"mass": 9.0}), (Felt, {"finding": "dry"}), (Look, {"finding": "sound"}), (Move, {"rack": "rack-b"}),
        (Leave, {}), (Look, {"finding": "scrap"}), (Dip, {"rack": "rack-b", "coat": "backup"}),
    ],
)  # fmt: skip
@pytest.mark.parametrize("named", [False, True])
def test_whatever_was_said_last_is_as_if_it_had_never_been_said(
    event: tuple[type[TreeEvent], dict[str, object]], named: bool
) -> None:
    shop, never = hung(), hung()
    for each in (shop, never):
        said(each, Weigh, mass=4.0, time=each.now - HOUR / 2)
    kind, more = event
    said(shop, kind, id="slip", **more)
    if named:  # what was said after it stays
        for each in (shop, never):
            said(each, Weigh, mass=3.95, time=each.now - HOUR / 4)
    said(shop, Undo, entry="slip" if named else "")
    for each in (shop, never):
        each.run(0.5)
    assert shop.tree("t-1") == never.tree("t-1")
    assert shop.rack("rack-a") == never.rack("rack-a")


def test_each_undo_takes_one_entry_more_and_saying_it_again_holds() -> None:
    shop = hung()
    said(shop, Move, rack="rack-b")
    said(shop, Move, rack="rack-c", time=shop.now - HOUR / 2)
    assert said(shop, Undo).rack == "rack-b"
    assert said(shop, Undo).rack == "rack-a"
    assert said(shop, Move, rack="rack-c").rack == "rack-c"
    assert said(shop, Undo).rack == "rack-a"
    assert said(shop, Undo) is None  # the dip itself
    assert said(shop, Undo) is None


def test_what_was_said_of_a_dip_taken_back_is_not_in_force_for_one_with_its_time() -> None:
    """The first was ready when it was taken back; the second has hung for as long, under a coat that dries slowly."""
    shop = hung(0.0)
    dipped = shop.now
    shop.until("t-1", State.READY)
    shop.undo("t-1")
    wet = shop.dip("t-1", "middle", shelter="deep", time=dipped)
    assert wet.state is State.DRYING
    shop.dip("t-1", "backup", shelter=None)
    assert [reason.code for reason in shop.tree("t-1").reasons if reason.code == "redipped-early"]


def weighed(shop: Shop, hours: float, kg: float) -> None:
    """A cell that shows a falling mass every minute, beside steady air."""
    for minute in range(round(hours * 60)):
        shop.run(1 / 60, STEADY)
        mass = kg - 0.0004 * minute
        shop.room.tell([reading(shop.now, Quantity.WEIGHT, mass, "rack-a", "cell-1", arrived=shop.now)])


@pytest.mark.parametrize("slip", [(Dip, {"rack": "rack-a", "coat": "middle", "cell": "cell-1"}), (Leave, {})])
def test_a_cell_s_masses_go_back_to_the_tree_that_hung_there(slip: tuple[type[TreeEvent], dict[str, object]]) -> None:
    """By a slip another tree is hung on the cell, or the one there is said to have left, for half an hour."""
    shop, never = Shop(), Shop()
    for each in (shop, never):
        each.run(0.2)
        each.dip("t-1", "middle", cell="cell-1")
        weighed(each, 1.0, 5.0)
    kind, more = slip
    tree = "t-2" if kind is Dip else "t-1"
    said(shop, kind, tree, **more)
    for each in (shop, never):
        weighed(each, 0.5, 4.976)
    said(shop, Undo, tree)
    for each in (shop, never):
        weighed(each, 0.3, 4.964)
    assert shop.tree("t-1") == never.tree("t-1")
    assert [log.events for log in shop.room.logs.values() if log.name == "t-1"] == [never.room.logs["t-1"].events]


# The rule by itself


def event(kind: type[TreeEvent], arrived: float, time: float | None = None, **more: object) -> TreeEvent:
    moment = BEGIN + arrived * HOUR
    when = moment if time is None else BEGIN + time * HOUR
    return kind(time=when, arrived=moment, tree="t-1", **more)


def test_an_undo_that_comes_before_the_entry_it_names_takes_that_one_alone() -> None:
    first, undo = event(Weigh, 0, mass=3.0, id="a"), event(Undo, 1, entry="b")
    late = event(Weigh, 2, mass=9.0, id="b")
    assert [one.event for one in judged([first, undo, late]) if one.stands] == [first]
    assert taken_by(undo, [first, undo, late]) == late


def test_an_undo_of_what_is_taken_back_already_takes_nothing_else() -> None:
    events = [event(Weigh, 0, mass=3.0, id="a"), event(Weigh, 1, mass=4.0, id="b"), event(Undo, 2),
              event(Undo, 3, entry="b")]  # fmt: skip
    assert [one.event.id for one in judged(events) if one.stands] == ["a"]


def test_of_events_that_come_in_one_instant_the_record_knows_the_order() -> None:
    together = [event(Weigh, 0, time=-hour, mass=3.0 + hour) for hour in (1, 2, 3)]
    placed = [replace(one, place=float(place)) for place, one in enumerate(together)]
    undo = replace(event(Undo, 0), place=9.0)
    standing = [one.event for one in in_time([undo, *reversed(placed)]) if one.stands]
    assert standing == [placed[1], placed[0]]


def test_an_entry_without_an_id_has_a_name_of_its_own_that_the_record_keeps() -> None:
    one, other = event(Weigh, 0, mass=3.0), event(Weigh, 0, mass=3.1)
    assert len({entry_of(one), entry_of(other), entry_of(event(Felt, 0, finding="dry"))}) == 3
    assert entry_of(replace(one, place=7.0)) == entry_of(one)
    assert [each.event for each in judged([one, other, event(Undo, 1, entry=entry_of(one))]) if each.stands] == [other]


def test_a_leaving_taken_back_ends_no_life() -> None:
    dip, leave, undo = event(Dip, 0, rack="rack-a", coat="middle"), event(Leave, 5), event(Undo, 6)
    (life,) = lives_of([dip, leave, undo], BEGIN + 9 * HOUR)
    assert life.ended_by is None
    assert [(one.event, one.taken_back) for one in life.taken_back] == [(leave, undo)]
    assert life.events == [dip]
