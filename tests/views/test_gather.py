"""What pictures read from the record: real stores, the invented shop."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from drymon.messages.message import Message
from drymon.readback.coat_history import ends_of
from drymon.readback.gather import lives_on_record, verdicts_by_tree
from drymon.shop.facts.events import Dip, Leave, Undo
from drymon.store import Store
from tests.views.invented import hours, verdict


def dip(at: float, tree: str = "t-1") -> Dip:
    return Dip(time=hours(at), arrived=hours(at), tree=tree, rack="rack-a", coat="backup")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "drymon.db", now=hours(9)) as opened:
        leave = Leave(time=hours(3), arrived=hours(3), tree="t-2")
        stray = Undo(time=hours(3), arrived=hours(3), tree="tt-1")
        for event in (dip(0), dip(0, "t-2"), dip(2), leave, stray):
            opened.record(Message(event.time, "drymon/shop/log/event", b"{}"), [event])
        yield opened


def test_the_last_word_on_a_tree_is_drawn_though_its_history_keeps_fewer(store: Store) -> None:
    """The history keeps one in five minutes while the state stays; the status shows the one after two."""
    store.add_outcomes([verdict("t-1", 2, 2.0), verdict("t-1", 2, 2 + 2 / 60)])
    kept = [told.time for told in store.verdict_history("t-1")]
    assert kept == [hours(2)]
    assert [told.time for told in verdicts_by_tree(store)["t-1"]] == [hours(2), hours(2 + 2 / 60)]
    assert [told.time for told in verdicts_by_tree(store, tree="t-1")["t-1"]] == [hours(2), hours(2 + 2 / 60)]
    assert [told.time for told in verdicts_by_tree(store, None, hours(2.01))["t-1"]] == [hours(2)]


def test_a_coat_ends_with_the_next_dip_or_when_its_tree_leaves_and_not_while_it_hangs(store: Store) -> None:
    assert ends_of(lives_on_record(store)) == {("t-1", hours(0)): hours(2), ("t-2", hours(0)): hours(3)}


def test_a_name_that_never_hung_is_no_tree(store: Store) -> None:
    assert "tt-1" in store.tree_names()
    assert {life.tree for life in lives_on_record(store)} == {"t-1", "t-2"}
