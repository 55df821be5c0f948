"""What was recorded, asked for by time, place and order of arrival."""

from types import SimpleNamespace

from drymon.drying.quantities import Quantity
from drymon.shop.facts.events import FanSwitched, Leave
from drymon.store import Channel, Store


def test_readings_by_time_and_name(store: Store, make: SimpleNamespace) -> None:
    late = make.reading(10, arrived=make.at(99), timed=True)
    sent = [
        make.reading(20),
        make.reading(30, quantity=Quantity.HUMIDITY, value=45.0),
        make.reading(30, place="room"),
        make.reading(40, sensor="s-1"),
        late,
    ]
    for item in sent:
        store.record(make.message((item.arrived - make.at(0)).total_seconds()), [item])
    assert list(store.readings()) == [late, *sent[:4]]
    assert list(store.readings(make.at(20), make.at(30))) == [sent[0]]
    assert list(store.readings(place="room")) == [sent[2]]
    assert list(store.readings(quantity=Quantity.HUMIDITY)) == [sent[1]]
    assert list(store.readings(make.at(35), sensor="s-1")) == [sent[3]]
    assert list(store.readings(sensor="s-2")) == []


def test_doubted_readings_are_marked_and_may_be_left_out(store: Store, make: SimpleNamespace) -> None:
    sent = [make.reading(second) for second in range(5)]
    store.record(make.message(), sent)
    channel = Channel("rack-a", "temperature")
    store.flag_readings(channel, make.at(1), make.at(2), "stuck")
    store.flag_readings(channel, make.at(2), make.at(3), "stuck")
    store.flag_readings(channel, make.at(3), make.at(3), "too-fast")
    assert list(store.readings(doubted=False)) == [sent[0], sent[4]]
    assert list(store.readings()) == sent
    spans = [(d.channel, d.code, d.first, d.last) for d in store.doubts()]
    assert spans == [(channel, "stuck", make.at(1), make.at(3)), (channel, "too-fast", make.at(3), make.at(3))]
    assert [d.code for d in store.doubts(make.at(0), make.at(3))] == ["stuck"]
    assert list(store.doubts(make.at(4))) == []


def test_facts_stand_in_order_of_arrival(store: Store, make: SimpleNamespace) -> None:
    fan = FanSwitched(time=make.at(0), arrived=make.at(5), rack="rack-a", on=True)
    leave = Leave(time=make.at(9), arrived=make.at(9), tree="t-1")
    sent = [make.reading(5), fan, make.reading(5, 22.0), make.reading(2, arrived=make.at(8), timed=True), leave, leave]
    for fact in sent:
        store.record(make.message((fact.arrived - make.at(0)).total_seconds()), [fact])
    assert list(store.facts()) == sent
    assert list(store.facts(make.at(6))) == sent[3:]
    assert list(store.facts(make.at(60))) == []


def test_facts_and_messages_where_the_clock_stepped_back(store: Store, make: SimpleNamespace) -> None:
    seconds = [100, 200, 20, 150, 300]
    for second in seconds:
        store.record(make.message(second), [make.reading(second)])
    assert [fact.time for fact in store.facts(make.at(120))] == [make.at(s) for s in (200, 150, 300)]
    assert [message.arrived for message in store.messages(make.at(50), make.at(300))] == [
        make.at(s) for s in (100, 150, 200)
    ]
    assert store.last_arrival() == make.at(300)


def test_messages_from_any_moment_on(store: Store, make: SimpleNamespace) -> None:
    with store.transaction():
        for second in range(100):
            store.record(make.message(second // 3, b"%d" % second), [])
    for cut in range(-1, 35):
        expected = [b"%d" % second for second in range(100) if second // 3 >= cut]
        assert [message.payload for message in store.messages(make.at(cut))] == expected


def test_latest_reading_of_every_channel(store: Store, make: SimpleNamespace) -> None:
    store.record(make.message(), [make.reading(50), make.reading(20, arrived=make.at(60), timed=True)])
    store.record(make.message(), [make.reading(10, 45.0, quantity=Quantity.HUMIDITY)])
    store.roll_up(make.at(3600))
    store.record(make.message(3700), [make.reading(3700, 45.5, quantity=Quantity.HUMIDITY)])
    assert store.latest_readings() == [
        make.reading(3700, 45.5, quantity=Quantity.HUMIDITY),
        make.reading(50),
    ]


def test_an_empty_home_answers(store: Store) -> None:
    assert (store.last_arrival(), store.tree_names(), store.latest_readings()) == (None, [], [])
    assert (store.refused_count(), store.latest_refused(), store.received_marks()) == (0, [], [])
    assert (list(store.facts()), list(store.messages()), store.current_verdicts()) == ([], [], [])


def test_trees_of_the_log(store: Store, make: SimpleNamespace) -> None:
    events = [Leave(time=make.at(0), arrived=make.at(0), tree=tree) for tree in ("t-9", "t-1", "t-9")]
    store.record(make.message(), events)
    assert store.tree_names() == ["t-1", "t-9"]
    assert list(store.events(tree="t-9")) == [events[0], events[2]]
