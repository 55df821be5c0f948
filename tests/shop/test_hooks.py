"""Whose a cell's mass is: that of the tree that hung there then, in whatever order it is told and weighed."""

import math
from dataclasses import replace
from datetime import timedelta

import pytest

from drymon.drying.quantities import Quantity
from drymon.shop.facts.events import CellMass, Dip, Move, Weigh
from drymon.shop.facts.reading import Reading
from drymon.shop.weight.cells import Cells, Found
from tests.shop.invented_shop import BEGIN, STEADY, Shop, reading


def cell(stamp_s: float, kg: float, name: str = "cell-1") -> Reading:
    stamp = BEGIN + timedelta(seconds=stamp_s)
    return reading(stamp, Quantity.WEIGHT, kg, "rack-a", name)


def weigh(shop: Shop, minutes: int, kg: float) -> None:
    """The cell shows this mass, a gram less every four minutes."""
    for minute in range(minutes):
        shop.run(1 / 60, STEADY)
        stamp = shop.now
        shop.room.tell([reading(stamp, Quantity.WEIGHT, kg - 0.00025 * minute, "rack-a", "cell-1")])


def masses(shop: Shop, tree: str) -> list[float]:
    return [round(event.mass, 1) for event in shop.room.logs[tree].events if isinstance(event, CellMass)]


def test_a_cell_weighs_who_was_hung_on_it_last() -> None:
    """Nobody says that the first tree is off the cell; the second one's hanging there says so."""
    shop = Shop()
    shop.run(0.1)
    shop.dip("t-1", "middle", cell="cell-1")
    weigh(shop, 30, 5.0)
    shop.dip("t-2", "middle", cell="cell-1")
    weigh(shop, 30, 7.0)
    assert set(masses(shop, "t-1")) == {5.0}
    assert masses(shop, "t-2")[-1] == 7.0
    assert len(masses(shop, "t-2")) >= 4


@pytest.mark.parametrize("kind", [Dip, Move])
def test_a_hanging_told_late_with_its_time_has_what_was_weighed_since(kind: type[Dip | Move]) -> None:
    """As if it had been told at once: the masses come from the tree that hung there until then, or from nobody."""
    late, prompt = Shop(), Shop()
    for shop in (late, prompt):
        shop.run(0.1)
        shop.dip("t-2", "middle", rack="rack-b")
        shop.dip("t-1", "middle", cell="cell-1")
        weigh(shop, 30, 5.0)
        hung = {"time": shop.now, "tree": "t-2", "rack": "rack-a", "cell": "cell-1"}
        event = Dip(**hung, arrived=shop.now, coat="backup") if kind is Dip else Move(**hung, arrived=shop.now)
        if shop is prompt:
            shop.tell(event)
        weigh(shop, 30, 7.0)
        if shop is late:
            shop.tell(replace(event, arrived=shop.now))
    for tree in ("t-1", "t-2"):
        told = [log.events for log in (late.room.logs[tree], prompt.room.logs[tree])]
        assert [replace(one, arrived=BEGIN) for one in told[0]] == [replace(one, arrived=BEGIN) for one in told[1]]


def test_a_mass_that_comes_after_a_younger_one_changes_nothing() -> None:
    """A filter looks only ahead: what a node sends late again must not pull the mass back to where it was."""

    def found(late: bool) -> list[Found]:
        cells, said = Cells(), []
        for step in range(120):
            kg = 5.0 - 0.001 * step + 2e-4 * math.sin(step)
            said.append(cells.note_mass(cell(30.0 * step, kg)))
            if late and step > 10:
                said.append(cells.note_mass(cell(30.0 * (step - 7) + 1.0, kg + 0.007)))
        return [one for one in said if one is not None]

    assert found(late=True) == found(late=False)
    assert len(found(late=False)) > 10


def test_a_notebook_of_weighings_may_be_typed_in_in_any_order() -> None:
    """Backwards, as whoever turns the leaves does: the same tree as if each had been typed in its turn."""
    forward, backward = Shop(), Shop()
    for shop in (forward, backward):
        shop.run(0.1)
        shop.dip("t-1", "middle")
        dipped = shop.now
        shop.run(1.5)
        book = [(10 + 10 * row, 5.0 + 0.05 * math.exp(-row / 3.0)) for row in range(8)]
        for minutes, kg in book if shop is forward else book[::-1]:
            shop.tell(Weigh(time=dipped + timedelta(minutes=minutes), arrived=shop.now, tree="t-1", mass=kg))
    assert forward.tree("t-1") == backward.tree("t-1")
