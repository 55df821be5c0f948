"""Verdicts, racks and alerts come back as they were said."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

from hypothesis import given, settings
from hypothesis import strategies as st

from drymon.messages.settings import Where
from drymon.shop.facts.outcome import (
    AirNow,
    Alert,
    Bounds,
    DayPlan,
    PlannedDip,
    RackStatus,
    Reason,
    State,
    TreeGone,
    Verdict,
    When,
)
from drymon.store import Store

moments = st.integers(0, 2**51).map(
    lambda microseconds: datetime(2020, 1, 1, tzinfo=UTC) + timedelta(0, 0, microseconds)
)
maybe = st.none() | moments
shares = st.floats(0, 1)
whens = st.builds(When, maybe, maybe, maybe)
verdicts = st.builds(
    Verdict,
    time=moments,
    valid_until=moments,
    tree=st.sampled_from(["t-1", "t-2"]),
    rack=st.just("rack-a"),
    coat=st.just("prime-first"),
    number=st.integers(1, 30),
    dipped_at=moments,
    state=st.sampled_from(State),
    dryness=st.none() | st.builds(Bounds, shares, shares, shares),
    dry_at=whens,
    redip_by=maybe,
    reasons=st.lists(st.builds(Reason, st.just("wet"), st.text("aé \"'%✔", max_size=9)), max_size=3).map(tuple),
    recipe=st.sampled_from(["", "standard"]),
    next_coat=st.none() | st.just("seal"),
)
racks = st.builds(
    RackStatus,
    time=moments,
    valid_until=moments,
    rack=st.sampled_from(["rack-a", "rack-b"]),
    ready=st.booleans(),
    ready_at=st.none() | whens,
    waiting_for=st.none() | st.just("t-9"),
    trees=st.dictionaries(st.sampled_from(["t-9", "t-1", "t-5"]), st.sampled_from(State)),
    air=st.builds(AirNow, st.none() | st.floats(-10, 50), st.none() | shares, airflow_assumed=st.booleans()),
)

dips = st.lists(
    st.builds(
        PlannedDip,
        tree=st.sampled_from(["t-1", "t-2"]),
        coat=st.just("seal"),
        number=st.integers(1, 30),
        rack=st.just("rack-a"),
        at=moments,
        allowed=whens,
        until=maybe,
        note=st.text("aé \"'", max_size=9),
        label=st.sampled_from(["", "Owl"]),
    ),
    max_size=3,
).map(tuple)
plans = st.builds(
    DayPlan,
    time=moments,
    valid_until=moments,
    now=dips,
    next=dips,
    later=dips,
    finishes=st.dictionaries(st.sampled_from(["t-9", "t-1"]), whens),
)


@settings(max_examples=20, deadline=None)
@given(st.lists(plans, max_size=3))
def test_the_plan_that_holds_is_the_last_said(engine: str, anew: Callable[[str], Where], said: list[DayPlan]) -> None:
    with Store.open(anew(engine)) as store:
        store.add_outcomes(said)
        assert store.current_plan() == (said[-1] if said else None)


@settings(max_examples=20, deadline=None)
@given(st.lists(verdicts | racks, max_size=8))
def test_what_holds_now_is_the_last_said(
    engine: str, anew: Callable[[str], Where], outcomes: list[Verdict | RackStatus]
) -> None:
    with Store.open(anew(engine)) as store:
        store.add_outcomes(outcomes)
        trees = {outcome.tree: outcome for outcome in outcomes if isinstance(outcome, Verdict)}
        standing = {outcome.rack: outcome for outcome in outcomes if isinstance(outcome, RackStatus)}
        assert store.current_verdicts() == [trees[name] for name in sorted(trees)]
        assert store.current_racks() == [standing[name] for name in sorted(standing)]
        assert [list(status.trees) for status in store.current_racks()] == [
            list(standing[name].trees) for name in sorted(standing)
        ]


def test_history_has_every_change_and_else_one_in_five_minutes(store: Store, make: SimpleNamespace) -> None:
    for minute in range(16):
        store.add_outcomes([make.verdict(60 * minute)])
    store.add_outcomes([make.verdict(961, state=State.READY), make.verdict(962, state=State.DRYING)])
    said = [(verdict.time - make.at(0)).total_seconds() for verdict in store.verdict_history("t-7")]
    assert said == [0, 300, 600, 900, 961, 962]
    assert [v.time for v in store.verdict_history("t-7", make.at(300), make.at(900))] == [make.at(300), make.at(600)]
    assert list(store.verdict_history("t-8")) == []


def test_what_a_later_dip_goes_by_is_each_change_and_every_hold(store: Store, make: SimpleNamespace) -> None:
    """A hold's reasons may grow; what was said again of a drying tree decides nothing."""
    states = [State.DRYING, State.DRYING, State.HOLD, State.HOLD, State.READY, State.READY]
    store.add_outcomes([make.verdict(600 * place, state=state) for place, state in enumerate(states)])
    store.add_outcomes([make.verdict(4000, tree="t-8", state=State.HOLD)])
    assert [verdict.time for verdict in store.verdicts_in_force("t-7", make.at(0))] == [
        make.at(0),
        make.at(1200),
        make.at(1800),
        make.at(2400),
    ]
    assert [verdict.time for verdict in store.verdicts_in_force("t-7", make.at(1800))] == [make.at(1800), make.at(2400)]


def test_a_new_dip_is_a_change(store: Store, make: SimpleNamespace) -> None:
    store.add_outcomes([make.verdict(0), make.verdict(1, number=5, dipped_at=make.at(1))])
    assert [verdict.number for verdict in store.verdict_history()] == [4, 5]


def test_a_tree_that_left_has_no_verdict_but_a_history(store: Store, make: SimpleNamespace) -> None:
    store.add_outcomes([make.verdict(0), make.verdict(0, tree="t-8"), TreeGone(make.at(5), "t-7")])
    assert [verdict.tree for verdict in store.current_verdicts()] == ["t-8"]
    assert list(store.verdict_history("t-7")) == [make.verdict(0)]


def test_alerts_come_back_in_order(store: Store, make: SimpleNamespace) -> None:
    raised = Alert(make.at(1), "tree-hold:t-7", "tree-hold", "t-7", "warning", "raised", "look at t-7")
    cleared = Alert(make.at(9), "tree-hold:t-7", "tree-hold", "t-7", "warning", "cleared", "after 8 s")
    store.add_outcomes([raised, cleared])
    assert list(store.alerts()) == [raised, cleared]
    assert list(store.alerts(make.at(1), make.at(1) + timedelta(seconds=8))) == [raised]
