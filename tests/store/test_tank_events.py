"""What is said of tanks, through a real file: kept as it was said, among the facts, told of all tanks by time."""

from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace

from drymon.shop.facts.events import Dip, SlurryCheck, SlurryUndo
from drymon.store import Store
from drymon.store.strangers import nothing_taken


def test_a_check_and_what_takes_it_back_come_back_as_they_were(
    store: Store, reopened: Callable[[], Store], make: SimpleNamespace
) -> None:
    whole = SlurryCheck(
        time=make.at(5), arrived=make.at(9), id="s-1", by="kim", slurry="tank-1", coats=("prime", "backup"),
        cup="iso-2431-4", seconds=32.5, temperature=22.1, density=1.82, ph=9.1, water_added=0.2, stirred=True,
        fresh=True, note="new drum",
    )  # fmt: skip
    little = SlurryCheck(time=make.at(3), arrived=make.at(10), slurry="tank-2", seconds=28.0)
    undo = SlurryUndo(time=make.at(11), arrived=make.at(11), slurry="tank-1", entry="s-1")
    dip = Dip(time=make.at(4), arrived=make.at(12), tree="t-7", rack="rack-a", coat="backup", slurry="tank-1")
    for event in (whole, little, undo, dip):
        assert store.record(make.message(20), [event]) == [event]
    assert store.record(make.message(21), [whole]) == []
    again = reopened()
    assert list(again.tank_events()) == [little, whole, undo]
    assert list(again.events()) == [little, dip, whole, undo]
    assert list(again.facts()) == [whole, little, undo, dip]
    assert again.tree_names() == ["t-7"]


def test_an_undo_of_a_tank_that_takes_nothing_is_told_of(store: Store, make: SimpleNamespace) -> None:
    def take(second: int, slurry: str) -> SlurryUndo:
        undo = SlurryUndo(time=make.at(second), arrived=make.at(second), slurry=slurry)
        store.record(make.message(second), [undo])
        return undo

    store.record(make.message(0), [SlurryCheck(time=make.at(0), arrived=make.at(0), slurry="tank-1", ph=9.0)])
    unsaid = SlurryUndo(time=make.at(1), arrived=make.at(1), slurry="tank-1")
    assert nothing_taken(store, unsaid) == ""
    assert "nothing that still stands" in nothing_taken(store, replace(unsaid, slurry="tank-2"))
    assert nothing_taken(store, take(1, "tank-1")) == ""
    assert 'slurry: received "tank-1"; nothing that still stands' in nothing_taken(store, take(2, "tank-1"))
    assert "nothing that still stands" in nothing_taken(store, take(3, "tank-2"))
