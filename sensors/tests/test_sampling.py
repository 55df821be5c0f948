"""Sampling: the median of some reads, what is plausible, and errors that stay errors."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drymon_sensors.clock import NodeTime
from drymon_sensors.errors import Heating, NotYet, ReadError
from drymon_sensors.sampling import FAULT, HEATING, OK, WAITING, Outcome, Sampler, Sensor, median
from drymon_sensors.trial import TrialClock


class Script:
    """A source that says what it is told to."""

    quantity, seen = "temperature", ""

    def __init__(self, *says: float | ReadError) -> None:
        self._says = list(says)

    def read(self) -> float:
        said = self._says.pop(0)
        if isinstance(said, ReadError):
            raise said
        return said

    def where(self) -> str:
        return "script"

    def close(self) -> None:
        pass


def sampled(
    *says: float | ReadError, samples: int = 3, plausible: tuple[float, float] = (-60.0, 150.0)
) -> tuple[list[Outcome | None], TrialClock]:
    clock = TrialClock()
    sensor = Sensor("rack-a", "temperature", "", Script(*says), 9.0, samples, plausible)
    sampler = Sampler(sensor, NodeTime(clock))
    outcomes = []
    for _ in says:
        outcomes.append(sampler.take(clock.monotonic()))
        clock.sleep(9.0 / samples)
    return outcomes, clock


def test_the_middle_one_of_three_and_the_moment_in_their_midst() -> None:
    outcomes, _ = sampled(21.0, 35.0, 21.2)
    assert outcomes[:2] == [None, None]
    assert outcomes[2] is not None
    assert outcomes[2].value == 21.2
    assert outcomes[2].taken == (1_930_200_003.0, 1003.0)


def test_one_bad_read_of_three_is_borne_and_two_are_not() -> None:
    wires = ReadError("temp1_input: EIO")
    outcome = sampled(21.0, wires, 21.2)[0][2]
    assert outcome is not None
    assert outcome.value == pytest.approx(21.1)
    outcome = sampled(21.0, wires, wires)[0][2]
    assert outcome is not None
    assert (outcome.state, outcome.value, outcome.why) == (FAULT, None, "temp1_input: EIO")


def test_after_an_error_the_old_value_never_comes_again() -> None:
    outcomes, _ = sampled(21.0, ReadError("gone"), ReadError("gone"), ReadError("gone"), samples=1)
    assert [outcome.value for outcome in outcomes if outcome] == [21.0, None, None, None]


@pytest.mark.parametrize("value", [3317.0, -300.0, float("nan"), float("inf")])
def test_what_is_not_plausible_is_an_error_and_not_a_reading(value: float) -> None:
    outcome = sampled(value, samples=1)[0][0]
    assert outcome is not None
    assert (outcome.state, outcome.value) == (FAULT, None)
    assert "plausible are -60 to 150 Cel" in outcome.why


def test_a_fault_of_our_own_costs_that_reading_alone(caplog: pytest.LogCaptureFixture) -> None:
    class Broken(Script):
        def read(self) -> float:
            raise OverflowError("math range error")

    sampler = Sampler(Sensor("rack-a", "airflow", "", Broken(), 9.0, 1), NodeTime(TrialClock()))
    outcome = sampler.take(0.0)
    assert outcome is not None
    assert (outcome.state, outcome.value) == (FAULT, None)
    assert "rack-a/airflow: a fault in drymon-sensors itself" in caplog.text


def test_a_narrower_range_of_ones_own() -> None:
    outcome = sampled(45.0, samples=1, plausible=(5.0, 40.0))[0][0]
    assert outcome is not None
    assert outcome.why == "received 45 Cel; plausible are 5 to 40 Cel: look at the sensor"


def test_a_heater_is_marked_as_such() -> None:
    outcome = sampled(Heating("the sensor's heater is on"), samples=1)[0][0]
    assert outcome is not None
    assert (outcome.state, outcome.value) == (HEATING, None)


def test_a_counter_that_has_just_begun_is_no_fault() -> None:
    outcome = sampled(NotYet("counting has just begun"), samples=1)[0][0]
    assert outcome is not None
    assert outcome.state == WAITING


def test_reads_are_spread_over_the_interval_and_missed_ones_are_not_made_up_for() -> None:
    clock = TrialClock()
    sampler = Sampler(Sensor("rack-a", "temperature", "", Script(*[21.0] * 60), 9.0, 3), NodeTime(clock))
    times = []
    for _ in range(120):
        if sampler.due <= clock.monotonic():
            sampler.take(clock.monotonic())
            times.append(clock.monotonic() - 1000.0)
        clock.sleep(60.0 if len(times) == 4 and clock.monotonic() < 1050.0 else 0.5)
    assert times[:4] == [0.0, 3.0, 6.0, 9.0]
    assert times[4] == 69.0, "an hour's sleep of the machine, or a hung bus"
    later = times[4:]
    assert [after - before for before, after in zip(later, later[1:])] == [3.0] * (len(later) - 1)


def test_no_wall_time_where_it_was_not_known_through_the_whole_sample() -> None:
    clock = TrialClock(kept=False)
    sampler = Sampler(Sensor("rack-a", "temperature", "", Script(21.0, 21.0), 2.0, 2), NodeTime(clock))
    sampler.take(clock.monotonic())
    clock.kept = True
    outcome = sampler.take(clock.monotonic())
    assert outcome is not None
    assert outcome.state == OK
    assert outcome.taken == (None, 1000.0)


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=9))
def test_the_median_is_that_of_the_standard_library(values: list[float]) -> None:
    import statistics

    assert median(values) == pytest.approx(statistics.median(values))
