"""Trees' lives read from the log agree with the live fold, whatever is told in whatever order."""

from dataclasses import replace
from datetime import timedelta

from hypothesis import given
from hypothesis import strategies as st

from drymon.shop.facts.events import Dip, Felt, Leave, Look, Move, TreeEvent, Undo, Weigh
from drymon.shop.facts.lives import all_coats, lives_of
from drymon.shop.facts.setup import Rack, RoomSetup
from drymon.shop.fold.room import Room
from drymon.shop.fold.tree_log import TreeLog
from tests.shop.invented_shop import BEGIN

NO_AIR = Room(RoomSetup("shop", racks=(Rack("rack-a"), Rack("rack-b"))), {}).world
HOUR = timedelta(hours=1)
END = BEGIN + 100 * HOUR


def at(hour: float, tree: str = "t-1") -> dict[str, object]:
    return {"time": BEGIN + hour * HOUR, "arrived": BEGIN + hour * HOUR, "tree": tree}


def dip(hour: float, tree: str = "t-1", rack: str = "rack-a", **more: object) -> Dip:
    return Dip(**at(hour, tree), rack=rack, coat="backup", **more)


def leave(hour: float, tree: str = "t-1") -> Leave:
    return Leave(**at(hour, tree))


def undo(hour: float) -> Undo:
    return Undo(**at(hour))


def move(hour: float, rack: str, cell: str | None = None) -> Move:
    return Move(**at(hour), rack=rack, cell=cell)


def scrap(hour: float) -> Look:
    return Look(**at(hour), finding="scrap")


KINDS = st.one_of(
    st.builds(
        dip,
        st.just(0.0),
        rack=st.sampled_from(["rack-a", "rack-b"]),
        number=st.sampled_from([None, None, None, 1, 2, 5]),
        shelter=st.sampled_from([None, "open", "deep"]),
        cell=st.sampled_from([None, "cell-1", "cell-2"]),
    ),
    st.builds(dip, st.just(0.0)),
    st.builds(undo, st.just(0.0)),
    st.builds(leave, st.just(0.0)),
    st.builds(move, st.just(0.0), st.sampled_from(["rack-a", "rack-b"]), st.sampled_from([None, "cell-1"])),
    st.sampled_from([scrap(0), Look(**at(0), finding="sound"), Weigh(**at(0), mass=3.0), Felt(**at(0), finding="dry")]),
)


@st.composite
def logs(draw: st.DrawFn) -> list[TreeEvent]:
    """What happened to one tree, hour by hour, in the order in which it is told."""
    told = draw(st.lists(KINDS, max_size=14))
    hours = draw(st.permutations(range(len(told))))
    return [
        replace(event, time=BEGIN + hour * HOUR, arrived=END + place * HOUR)
        for place, (hour, event) in enumerate(zip(hours, told, strict=True))
    ]


@given(logs())
def test_the_record_tells_of_a_tree_what_the_live_fold_says(log: list[TreeEvent]) -> None:
    fold = TreeLog(NO_AIR, "t-1")
    for event in log:
        fold.add(event)
    state, lives = fold.state(END.timestamp()), lives_of(log, END)
    assert sum(life.ended_by is None for life in lives) == (state is not None)
    if state is not None:
        coat = lives[-1].coats[-1]
        assert (coat.dip, coat.number, coat.shelter) == (state.dip, state.number, state.shelter)
        assert (coat.stays[-1].rack, coat.stays[-1].cell) == (state.rack, state.cell)
        assert coat.end == END
        for cell in ("cell-1", "cell-2"):
            assert (fold.on_cell_since(cell) is not None) == (state.cell == cell)


@given(logs())
def test_every_dip_stands_or_was_taken_back_and_stays_have_no_gaps(log: list[TreeEvent]) -> None:
    lives = lives_of(log, END)
    for life in lives:
        spans = [(coat.dip.time, coat.end) for coat in life.coats]
        assert spans[0][0] == life.begin
        assert [end for _, end in spans] == [*(begin for begin, _ in spans[1:]), life.end]
        for coat in life.coats:
            edges = [coat.dip.time, *(stay.end for stay in coat.stays)]
            assert [stay.begin for stay in coat.stays] == edges[:-1]
            assert edges[-1] == coat.end
    assert [life.begin for life in lives[1:]] >= [life.end for life in lives[:-1]]
    told_once = [one.event for life in lives for one in life.said]
    assert sorted(told_once, key=lambda event: event.time) == (
        sorted(log, key=lambda event: event.time) if lives else []
    )


def test_a_name_given_again_begins_a_second_life_whose_coat_hangs() -> None:
    first, second = lives_of([dip(0), leave(4), dip(10)], END)
    assert [(coat.dip.time, coat.end, coat.number) for coat in first.coats] == [(BEGIN, BEGIN + 4 * HOUR, 1)]
    assert [(coat.dip.time, coat.end, coat.number) for coat in second.coats] == [(BEGIN + 10 * HOUR, END, 1)]


def test_scrap_ends_a_life_as_leaving_does() -> None:
    first, second = lives_of([dip(0), scrap(4), dip(10)], END)
    assert (len(first.coats), len(second.coats)) == (1, 1)
    assert (first.ended_by, first.end, second.ended_by) == (scrap(4), BEGIN + 4 * HOUR, None)


def test_a_dip_said_to_be_the_first_inherits_nothing() -> None:
    first, second = lives_of([dip(0, shelter="deep", cell="cell-1"), dip(5), dip(10, number=1)], END)
    assert [coat.ended_by for coat in first.coats] == ["the next dip", "another tree of its name"]
    (coat,) = second.coats
    assert (coat.number, coat.shelter, coat.stays[0].cell) == (1, "pocketed", None)


def test_taken_back_the_dip_of_another_tree_leaves_the_first_one_hanging() -> None:
    (life,) = lives_of([dip(0, shelter="deep"), dip(10, number=1), undo(11), dip(20)], END)
    assert [(coat.number, coat.shelter) for coat in life.coats] == [(1, "deep"), (2, "deep")]
    assert [(back.event, back.taken_back) for back in life.taken_back] == [(dip(10, number=1), undo(11))]


def test_a_coat_that_skips_numbers_was_begun_elsewhere() -> None:
    (life,) = lives_of([dip(0, number=3), dip(5), dip(10, number=7)], END)
    assert [coat.begun_elsewhere for coat in life.coats] == [True, False, True]


def test_a_shelter_is_told_once_for_all_coats_of_a_tree() -> None:
    told = all_coats(lives_of([dip(0), dip(5, shelter="open"), dip(9), dip(12, number=1)], BEGIN + 20 * HOUR))
    assert [(coat.shelter, coat.shelter_told) for coat in told] == [
        ("pocketed", False),
        ("open", True),
        ("open", True),
        ("pocketed", False),
    ]


def test_the_coats_of_all_trees_come_by_their_dips() -> None:
    coats = all_coats(lives_of([dip(0), leave(9), dip(5, "t-2"), dip(6), dip(7, "t-3")], END))
    assert [(coat.dip.tree, coat.number) for coat in coats] == [("t-1", 1), ("t-2", 1), ("t-1", 2), ("t-3", 1)]
