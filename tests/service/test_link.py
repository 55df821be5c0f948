"""How it stands with the broker, and what the connection needs next: by the seconds given, without a network."""

import pytest

from drymon.service.link import Due, Link


def standing(at: float = 100.0) -> Link:
    link = Link(mqtt5=True)
    link.lost()
    link.asked_at = at
    link.stands(at)
    return link


def test_a_broker_that_says_nothing_is_given_ten_seconds_and_then_the_other_protocol() -> None:
    link = Link(mqtt5=True)
    link.opened(5.0)
    link.opened(9.0)  # tried again meanwhile: still no answer since the first
    assert [link.due(now) for now in (15.0, 15.1)] == [Due.NOTHING, Due.OTHER_PROTOCOL]
    link.change_protocol()
    assert (link.mqtt5, link.due(100.0)) == (False, Due.NOTHING)
    link.other_protocol = True  # said by the broker
    assert link.due(100.0) is Due.OTHER_PROTOCOL
    link.change_protocol()
    assert link.mqtt5


def test_an_answer_is_an_answer() -> None:
    link = Link(mqtt5=True)
    link.opened(5.0)
    link.answered()
    assert link.due(1000.0) is Due.NOTHING


def test_subscriptions_that_are_not_confirmed_in_a_minute_are_asked_for_again() -> None:
    link = Link(mqtt5=True)
    link.asked_at = 20.0
    assert [link.due(now) for now in (80.0, 80.1)] == [Due.NOTHING, Due.SUBSCRIPTIONS]
    link.stands(81.0)
    link.pulse_sent = 200.0
    assert link.due(201.0) is Due.NOTHING


def test_a_pulse_goes_every_fifteen_seconds_while_the_subscriptions_stand() -> None:
    link = standing()
    link.pulse_sent = 100.0
    assert [link.due(now) for now in (115.0, 115.1)] == [Due.NOTHING, Due.PULSE]
    link.lost()
    assert link.due(1000.0) is Due.NOTHING


@pytest.mark.parametrize(
    ("sent", "seen", "missing"),
    [(90.0, 0.0, False), (115.0, 0.0, True), (115.0, 114.9, True), (115.0, 115.0, False), (100.0, 0.0, False)],
)
def test_a_pulse_is_missed_only_where_it_was_sent_on_this_connection(sent: float, seen: float, missing: bool) -> None:
    link = standing(at=100.0)
    link.pulse_sent, link.pulse_seen = sent, seen
    assert link.pulse_is_missing() is missing


def test_pulses_are_late_a_minute_after_the_last_that_came_back() -> None:
    link = standing()
    assert not link.pulse_is_late(10_000.0), "none ever came back: perhaps it may not"
    link.pulse_seen = 120.0
    assert [link.pulse_is_late(now) for now in (180.0, 180.1)] == [False, True]
    link.lost()
    assert not link.pulse_is_late(10_000.0)


def test_how_long_the_broker_was_away_counts_from_the_first_loss() -> None:
    link = standing()
    link.away(200.0)
    link.lost()
    link.away(230.0)
    assert (link.standing, link.stands(290.0)) == (False, 90.0)
    assert link.stands(300.0) is None


def test_coming_online_is_told_once_and_not_where_it_went_again() -> None:
    link = standing()
    assert [link.came_online(), link.came_online()] == [True, False]
    link.stands(200.0)
    link.lost()
    assert not link.came_online()
    assert link.ever_stood


def test_each_loss_begins_another_generation() -> None:
    link = standing()
    before = link.generation
    link.lost()
    assert link.generation == before + 1


def test_what_waited_is_here_once_a_pulse_came_back_on_this_connection_or_none_will() -> None:
    link = Link(mqtt5=True)
    assert not link.heard_out(100.0)
    link.stands(100.0)
    assert link.due(100.0) is Due.PULSE, "at once, however lately one was sent before"
    assert not link.heard_out(105.0)
    assert link.heard_out(105.1)
    link.pulse_seen = 101.0
    assert link.heard_out(101.0)
    link.lost()
    link.stands(102.0)
    assert not link.heard_out(102.0)
