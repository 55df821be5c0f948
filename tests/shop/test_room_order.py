"""The room is a fold: the same facts give the same verdicts, in whatever order they arrive and however they are cut."""

import random
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from drymon.drying.quantities import Quantity
from drymon.shop.facts.events import (
    Dip,
    FanSwitched,
    Leave,
    LogEvent,
    Look,
    Move,
    SlurryCheck,
    SlurryUndo,
    Undo,
    Weigh,
)  # fmt: skip
from drymon.shop.facts.outcome import Outcome, Verdict
from drymon.shop.facts.reading import Reading
from drymon.shop.facts.setup import Tank
from drymon.shop.fold.room import Room
from tests.shop.invented_shop import BEGIN, MODELS, Shop, at, codes, model, reading
from tests.shop.invented_shop import SETUP as WITHOUT_TANKS

T, RH, SPEED = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.AIRFLOW
Fact = Reading | LogEvent
SETUP = replace(WITHOUT_TANKS, tanks=(Tank("tank-1", ("middle", "seal"), cup="iso-2431-4", seconds=(35.0, 45.0)),))

# Facts that depend on nothing but their own times


def air_facts(hours: float, every_min: float = 4.0) -> list[Reading]:
    """A slowly changing room; readings stay within what a trusted sensor may do."""
    facts = []
    for step in range(int(hours * 60 / every_min)):
        stamp = BEGIN + timedelta(minutes=every_min * step, seconds=7)
        hour = every_min * step / 60.0
        facts += [
            reading(stamp, T, round(21.0 + 0.5 * hour + 0.01 * (step % 7), 3), timed=True),
            reading(stamp, RH, round(52.0 - 2.0 * hour - 0.1 * (step % 5), 3), timed=True),
        ]
    return facts


def log_facts() -> list[LogEvent]:
    """Three trees' day: a wrong dip taken back by its name, a move, a look at a skipped grade, fans, bench
    weighings, one that leaves; their slurry found thick, a slip of that taken back, then water in it."""

    def when(minutes: float) -> dict[str, datetime]:
        return {"time": BEGIN + timedelta(minutes=minutes), "arrived": BEGIN + timedelta(minutes=minutes)}

    weighings = [Weigh(**when(m), tree="t-1", mass=mass) for m, mass in ((15, 5.0335), (25, 5.0250), (40, 5.0160))]
    return [
        SlurryCheck(**when(3), slurry="tank-1", seconds=52.0),
        SlurryCheck(**when(5), slurry="tank-1", seconds=90.0, id="typed wrong"),
        Dip(**when(6), tree="t-1", rack="rack-a", coat="middle", shelter="open"),
        SlurryUndo(**when(8), slurry="tank-1", entry="typed wrong"),
        SlurryCheck(**when(11), slurry="tank-1", water_added=0.4),
        Dip(**when(9), tree="t-2", rack="rack-a", coat="prime", shelter="open"),
        Dip(**when(12), tree="t-3", rack="rack-b", coat="seal", shelter="open"),
        *weighings,
        Dip(**when(31), tree="t-1", rack="rack-b", coat="coarse", id="slip"),
        Undo(**when(33), tree="t-1", entry="slip"),
        Move(**when(45), tree="t-1", rack="rack-b"),
        FanSwitched(**when(50), rack="rack-b", on=False),
        Dip(**when(70), tree="t-2", rack="rack-a", coat="coarse"),
        Look(**when(80), tree="t-2", finding="sound"),
        Dip(**when(81), tree="t-4", rack="rack-a", coat="middle"),
        Leave(**when(85), tree="t-4"),
        FanSwitched(**when(95), rack="rack-b", on=True),
    ]


def play(facts: Sequence[Fact], end: datetime) -> tuple[Room, list[Outcome]]:
    """Each fact by itself, in order of arrival, as a listening service meets them."""
    room, said = Room(SETUP, MODELS), []
    room.advance(BEGIN)
    for fact in sorted(facts, key=lambda each: each.arrived):
        said += room.advance(fact.arrived)
        room.tell([fact])
        if not isinstance(fact, Reading):
            said += room.judge_now(fact.arrived)
    return room, said + room.advance(end)


def same_in_substance(one: Verdict, other: Verdict) -> None:
    """Equal but for the last digits: evaluations between the minutes cut the steps elsewhere. `redipped-early` tells
    of the verdict in force when it was dipped, which may have been another with less evidence at hand."""
    told = {"redipped-early"}
    assert (one.state, one.rack, one.coat, one.number, one.dipped_at) == (
        other.state, other.rack, other.coat, other.number, other.dipped_at,
    )  # fmt: skip
    assert codes(one) - told == codes(other) - told
    assert one.dryness is not None
    assert other.dryness is not None
    for name in ("low", "best", "high"):
        assert getattr(one.dryness, name) == pytest.approx(getattr(other.dryness, name), abs=3e-3), name


@settings(max_examples=4, deadline=None, phases=(Phase.explicit, Phase.generate), derandomize=True)
@given(st.integers(0, 2**32))
def test_late_and_shuffled_arrival_ends_in_the_same_verdicts(seed: int) -> None:
    dice = random.Random(seed)
    facts: list[Fact] = [*air_facts(3.0), *log_facts()]
    end = at(3.0)
    late = []
    for fact in facts:
        delay = timedelta(minutes=dice.uniform(0, 90)) * (dice.random() < 0.2)
        late.append(replace(fact, arrived=min(fact.time + delay, end - timedelta(seconds=9))))
    dice.shuffle(late)
    in_order, _ = play(facts, end)
    shuffled, _ = play(late, end)
    expected, found = in_order.standing().trees, shuffled.standing().trees
    assert set(found) == set(expected) == {"t-1", "t-2", "t-3"}
    for tree, verdict in expected.items():
        same_in_substance(found[tree], verdict)


def test_a_dip_told_an_hour_later_is_judged_from_its_own_time_on() -> None:
    prompt, late = Shop(), Shop()
    for shop in (prompt, late):
        shop.run(0.2)
    prompt.dip("t-1", "middle")
    dipped = prompt.now
    for shop in (prompt, late):
        shop.run(1.0)
    assert late.dip("t-1", "middle", time=dipped).dipped_at == dipped
    for shop in (prompt, late):
        shop.run(0.1)
    same_in_substance(late.tree("t-1"), prompt.tree("t-1"))


def test_a_dip_told_after_a_later_event_is_known_takes_its_own_place() -> None:
    prompt, late = Shop(), Shop()
    for shop in (prompt, late):
        shop.run(0.2)
        shop.dip("t-1", "middle")
        shop.run(0.6)
    prompt.dip("t-1", "backup", shelter=None)
    dipped = prompt.now
    for shop in (prompt, late):
        shop.run(1.6)
        shop.felt("t-1", "wet")
        shop.move("t-1", "rack-b")
        shop.run(0.3)
    late.dip("t-1", "backup", shelter=None, time=dipped, rack="rack-a")
    for shop in (prompt, late):
        shop.run(0.2)
    assert late.tree("t-1").dipped_at == dipped
    assert late.tree("t-1").rack == "rack-b"
    same_in_substance(late.tree("t-1"), prompt.tree("t-1"))


def test_readings_that_fill_a_gap_afterwards_count_as_if_they_had_been_in_time() -> None:
    whole, filled = Shop(), Shop()
    for shop in (whole, filled):
        shop.run(0.2)
        shop.dip("t-1", "middle")
    whole.run(1.0)
    filled.run(1.0, None)
    assert "air-unknown" in codes(filled.tree("t-1"))
    kept = [
        reading(at(0.2) + timedelta(minutes=m, seconds=10), q, v, timed=True, arrived=filled.now)
        for m in range(60)
        for q, v in ((T, 22.0), (RH, 45.0), (SPEED, 1.0))
    ]
    filled.room.tell(kept)
    for shop in (whole, filled):
        shop.run(0.1)
    same_in_substance(filled.tree("t-1"), whole.tree("t-1"))


# Cuts and repeats


def awkward_stream() -> list[Fact]:
    """What arrives late is among it, and seconds that are no whole ones."""
    dice = random.Random(7)
    facts: list[Fact] = [*air_facts(3.0), *log_facts()]
    return sorted(
        (replace(f, arrived=f.time + timedelta(seconds=dice.choice([0.4, 1.3, 2.7, 400.2]))) for f in facts),
        key=lambda each: each.arrived,
    )


def test_the_same_facts_give_equal_outcomes_to_the_last_digit() -> None:
    first, second = (play(awkward_stream(), at(3.5))[1] for _ in range(2))
    assert len(first) > 100
    assert first == second


@settings(max_examples=2, deadline=None, phases=(Phase.explicit, Phase.generate), derandomize=True)
@given(st.integers(0, 2**32))
def test_other_cuts_of_the_stream_say_the_same(seed: int) -> None:
    """Readings between two instants may come in one batch or many, and idle looks at the time change nothing."""
    dice = random.Random(seed)
    stream, end = awkward_stream(), at(3.5)
    room, said, held = Room(SETUP, MODELS), [], list[Fact]()
    room.advance(BEGIN)
    for fact, follower in zip(stream, [*stream[1:], None], strict=True):
        if not held:
            said += room.advance(fact.arrived)
        held.append(fact)
        alone = not isinstance(fact, Reading)
        next_mark = int(held[0].arrived.timestamp()) // 5 * 5 + 5
        same_instant = follower is not None and isinstance(follower, Reading) and not alone
        if same_instant and follower.arrived.timestamp() < next_mark and dice.random() < 0.7:
            continue
        room.tell(held)
        held = []
        if alone:
            said += room.judge_now(fact.arrived)
        if follower is not None:
            for _ in range(dice.randrange(3)):
                idle = fact.arrived + (follower.arrived - fact.arrived) * dice.random()
                said += room.advance(max(idle, fact.arrived))
    said += room.advance(end)
    assert said == play(stream, end)[1]


def test_stepping_many_trees_together_is_stepping_each_alone() -> None:
    """Three trees on one rack are stepped as one block; alone on the rack each is stepped by itself."""
    together = Shop()
    together.run(0.2)
    for tree, coat, shelter in (("t-1", "middle", "open"), ("t-2", "prime", "deep"), ("t-3", "rough", "pocketed")):
        together.dip(tree, coat, shelter=shelter)
    together.run(0.8)
    for tree, coat, shelter in (("t-1", "middle", "open"), ("t-2", "prime", "deep"), ("t-3", "rough", "pocketed")):
        alone = Shop()
        alone.run(0.2)
        alone.dip(tree, coat, shelter=shelter)
        alone.run(0.8)
        one, other = alone.tree(tree).dryness, together.tree(tree).dryness
        assert (one.low, one.best, one.high) == pytest.approx((other.low, other.best, other.high), abs=1e-12)


@pytest.mark.parametrize("tail", ["power", "front", "supply"])
def test_coats_of_different_tails_hang_side_by_side(tail: str) -> None:
    models = {**MODELS, "rough": model("rough", tail=tail)}
    mixed, alone = Shop(models=models), Shop(models=models)
    for shop in (mixed, alone):
        shop.run(0.2)
        shop.dip("t-1", "rough")
    mixed.dip("t-2", "middle")
    for shop in (mixed, alone):
        shop.run(0.3)
    one, other = mixed.tree("t-1").dryness, alone.tree("t-1").dryness
    assert 0.05 < one.best < 1.0
    assert (one.low, one.best, one.high) == pytest.approx((other.low, other.best, other.high), abs=1e-12)
