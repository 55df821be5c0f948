"""What has been called ready is acted on: it does not come and go with noise, and is taken back for a reason told."""

import random
from datetime import timedelta

import pytest

from drymon.drying.quantities import Quantity
from drymon.shop.facts.outcome import Alert, State
from drymon.shop.tree.calls import Call, call_of
from tests.shop.invented_shop import STEADY, Shop, codes, text
from tests.shop.invented_shop import reading as said
from tests.shop.test_room_scale import WIDE, mass

NONE: frozenset[str] = frozenset()


def on_a_noisy_cell(seed: int, tau_min: float, noise_kg: float, drift_kg: float, minutes: int = 300) -> Shop:
    """A tree on a cell whose readings scatter and whose zero walks (kg per root hour), and a neighbour without one."""
    dice, shop, zero = random.Random(seed), Shop(models=WIDE), 0.0
    shop.run(0.2)
    shop.dip("t-1", "middle", cell="cell-1")
    shop.dip("t-2", "middle")
    for minute in range(1, minutes):
        zero += dice.gauss(0, drift_kg / 60**0.5)
        for second in (15, 35, 55):
            stamp = shop.now + timedelta(seconds=second)
            shop.said += shop.room.advance(stamp)
            shop.room.tell([said(stamp, quantity, value) for quantity, value in STEADY.items()])
            kg = mass(minute + second / 60, tau_min=tau_min) + zero + dice.gauss(0, noise_kg)
            shop.room.tell([said(stamp, Quantity.WEIGHT, kg, "rack-a", "cell-1")])
        shop.now += timedelta(minutes=1)
        shop.said += shop.room.advance(shop.now)
    return shop


@pytest.mark.parametrize(
    ("seed", "tau_min", "noise_kg", "drift_kg"),
    [(2, 40, 0.002, 0.001), (3, 40, 0.003, 0.002)],
)
def test_the_noise_of_a_cell_calls_a_tree_once(seed: int, tau_min: float, noise_kg: float, drift_kg: float) -> None:
    """With these seeds a tree, or its neighbour that goes by its weight, had been called two or three times."""
    shop = on_a_noisy_cell(seed, tau_min, noise_kg, drift_kg)
    for tree in ("t-1", "t-2"):
        states = [verdict.state for verdict in shop.verdicts(tree)]
        first = states.index(State.READY)
        assert set(states[:first]) == {State.DRYING}
        assert set(states[first:]) == {State.READY}
    told = [alert for alert in shop.said if isinstance(alert, Alert) and alert.kind == "tree-ready"]
    assert [(alert.subject, alert.state) for alert in told if alert.subject == "t-1"] == [("t-1", "raised")]


@pytest.mark.parametrize("seed", [5, 11, 12, 13])
def test_a_zero_that_walks_far_takes_a_call_back_once_at_most_and_says_why(seed: int) -> None:
    """2 g per root hour where 0.7 is expected, on 30 g of water: the weight itself tells another story later."""
    shop = on_a_noisy_cell(seed, 25, 0.003, 0.002)
    for tree in ("t-1", "t-2"):
        verdicts = shop.verdicts(tree)
        called = [i for i, verdict in enumerate(verdicts) if verdict.state is State.READY]
        calls = [i for i in called if verdicts[i - 1].state is not State.READY]
        assert len(calls) <= 2
        after = verdicts[called[0] :] if called else []
        assert all("taken-back" in codes(verdict) for verdict in after if verdict.state is not State.READY)


def test_a_weighed_tree_waits_for_another_weighing_and_says_so() -> None:
    shop = on_a_noisy_cell(2, 40, 0.002, 0.001, 200)
    awaited = [verdict for verdict in shop.verdicts("t-1") if "weighing-awaited" in codes(verdict)]
    ready = next(verdict for verdict in shop.verdicts("t-1") if verdict.state is State.READY)
    assert awaited[-1].state is State.DRYING
    assert timedelta(0) < ready.time - awaited[-1].time <= timedelta(minutes=6)
    assert all(verdict.dry_at.late > verdict.time for verdict in awaited)


def test_a_cell_that_falls_silent_is_not_waited_for() -> None:
    """Two more weighings would call it; there are none, and after half an hour its word is too old to wait for."""
    shop = on_a_noisy_cell(1, 25, 0.001, 0.0007, 88)
    assert shop.tree("t-1").state is State.DRYING
    shop.until("t-1", State.READY, hours=4)


def test_a_call_is_taken_back_for_a_reason_that_is_told_and_made_again_at_the_full_chance() -> None:
    """Damp air brings water back; a little of it takes nothing back."""
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "rough")
    shop.until("t-1", State.READY)
    called = shop.now
    shop.until("t-1", State.DRYING, air={**STEADY, Quantity.HUMIDITY: 96.0})
    assert text(shop.tree("t-1"), "taken-back") == (
        f"it was called ready at {called:%H:%M} and is not now: air at 96 % RH has brought water back"
    )
    state = shop.room.logs["t-1"].state(shop.now.timestamp(), keep=False)
    assert state is not None
    assert state.chance_dry < 0.9
    shop.until("t-1", State.READY)
    again = shop.room.logs["t-1"].state(shop.now.timestamp(), keep=False)
    assert again is not None
    assert again.chance_dry >= 0.95
    assert "taken-back" not in codes(shop.tree("t-1"))


def test_the_next_coat_is_called_anew() -> None:
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "middle")
    shop.until("t-1", State.READY)
    assert shop.dip("t-1", "backup", shelter=None).state is State.DRYING
    assert "taken-back" not in codes(shop.tree("t-1"))


@pytest.mark.parametrize(
    ("words", "call"),
    [
        ([], None),
        ([(1.0, State.DRYING, NONE)], None),
        ([(1.0, State.READY, NONE)], Call(1.0, True)),
        ([(1.0, State.READY, NONE), (2.0, State.UNKNOWN, NONE)], Call(1.0, True)),
        ([(1.0, State.READY, NONE), (2.0, State.HOLD, frozenset({"too-long"}))], Call(1.0, True)),
        ([(1.0, State.READY, NONE), (2.0, State.DRYING, NONE)], Call(1.0, False)),
        ([(1.0, State.READY, NONE), (2.0, State.DRYING, NONE), (3.0, State.READY, NONE)], Call(3.0, True)),
        ([(1.0, State.HOLD, frozenset({"pocket-unlearned"}))], Call(1.0, True)),
        ([(1.0, State.HOLD, frozenset({"pocket-unlearned", "swing"}))], None),
        ([(1.0, State.HOLD, NONE)], None),
    ],
)
def test_what_was_said_is_a_call_or_takes_it_back(
    words: list[tuple[float, State, frozenset[str]]], call: Call | None
) -> None:
    assert call_of(words) == call
