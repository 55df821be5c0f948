"""How often an outlook is made anew, and what one weighed dip may tell of another: where each rule turns."""

import math
from collections.abc import Callable
from datetime import timedelta

import numpy as np
import pytest

from drymon.drying import coat, dips, forecast
from drymon.drying.edges import NO_EDGES
from drymon.drying.ensemble import REFERENCE_AIR
from drymon.drying.quantities import Quantity
from drymon.shop.air.air_book import AirBook
from drymon.shop.air.rack_air import RackAir
from drymon.shop.facts.events import Dip
from drymon.shop.tree import state as trees
from drymon.shop.tree import tree_air
from drymon.shop.tree.state import TreeState, World
from drymon.shop.tree.taught import Taught, likelihood, taught_by
from drymon.shop.verdict.forecaster import Forecaster
from tests.replaced import replace
from tests.shop.invented_shop import BEGIN, MODELS, SETUP, reading

START = BEGIN.timestamp()
T, RH, SPEED = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.AIRFLOW


def world(humidity: Callable[[int], float] = lambda _: 45.0, minutes: int = 240) -> World:
    """Half an hour of air before the beginning, and so many minutes after it."""
    book = AirBook(SETUP)
    for minute in range(-30, minutes):
        stamp = BEGIN + timedelta(minutes=minute, seconds=10)
        for quantity, value in ((T, 22.0), (RH, humidity(minute)), (SPEED, 1.0)):
            book.enter(reading(stamp, quantity, value + 0.001 * (minute % 2)))
    return World(SETUP, MODELS, {rack.name: RackAir(book, rack) for rack in SETUP.racks})


def dipped(room: World, name: str = "t-1", coat_name: str = "middle", seconds: float = 600.0) -> TreeState:
    """Dipped at the beginning, and now so many seconds old."""
    dip = Dip(time=BEGIN, arrived=BEGIN, tree=name, rack="rack-a", coat=coat_name, shelter="open")
    return tree_air.advanced(room, trees.dipped(room, None, dip, None), START + seconds)


def made_at(forecaster: Forecaster, *states: TreeState) -> list[float]:
    """When each one's outlook was made, seconds after the beginning."""
    found = forecaster.outlooks(states)
    return [found[state.name].made - START for state in states]


def later(state: TreeState, seconds: float) -> TreeState:
    """The same tree, as wet as it was, so many seconds later."""
    return replace(state, at=state.at + seconds)


def quarter(forecaster: Forecaster, state: TreeState) -> float:
    """A quarter of the time that half of its possible coats still take, of those that are wet."""
    ahead = forecaster.outlooks([state])[state.name].dry - state.at
    return float(np.median(ahead[ahead > 0.0])) / 4.0


def test_an_outlook_lasts_a_quarter_of_the_wait_that_it_gives() -> None:
    room = world()
    forecaster, tree = Forecaster(room), dipped(room)
    lasts = quarter(forecaster, tree)
    assert 600.0 < lasts < 3500.0
    assert made_at(forecaster, later(tree, lasts - 2.0)) == [600.0]
    assert made_at(forecaster, later(tree, lasts + 2.0)) == pytest.approx([600.0 + lasts + 2.0])


def test_how_widely_a_rack_s_air_varies_is_worked_out_every_three_hours(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of eight days of air: too dear for each outlook. From three hours of the clock on, for all trees alike."""
    asked: list[forecast.PastAir] = []
    spread = forecast.spread

    def counted(history: forecast.PastAir) -> forecast.AirSpread:
        asked.append(history)
        return spread(history)

    monkeypatch.setattr(forecast, "spread", counted)
    room = world()
    forecaster = Forecaster(room)
    for hours, count in ((0.2, 1), (1.0, 1), (2.99, 1), (3.0, 2), (3.5, 2)):
        forecaster.outlooks([dipped(room, f"t-{hours}", seconds=3600.0 * hours)])
        assert len(asked) == count


def test_it_lasts_an_hour_at_the_most_and_ten_minutes_at_the_least() -> None:
    """In damp air it is days; of a tree that is nearly dry it is minutes."""
    damp = world(lambda _: 88.0)
    forecaster, tree = Forecaster(damp), dipped(damp)
    assert quarter(forecaster, tree) > 3600.0
    assert made_at(forecaster, later(tree, 3599.0)) == [600.0]
    assert made_at(forecaster, later(tree, 3600.0)) == [4200.0]
    quick = world()
    soon, nearly = Forecaster(quick), dipped(quick, seconds=3600.0)
    assert quarter(soon, nearly) < 500.0
    assert nearly.chance_dry < 0.9
    assert made_at(soon, later(nearly, 589.0)) == [3600.0]
    assert made_at(soon, later(nearly, 600.0)) == [4200.0]


def test_who_is_half_due_comes_along_and_who_is_less_stays() -> None:
    room = world(lambda _: 88.0)
    forecaster = Forecaster(room)
    first, second, third = (dipped(room, f"t-{number}") for number in (1, 2, 3))
    forecaster.outlooks([first])
    forecaster.outlooks([later(second, 1740.0)])
    forecaster.outlooks([later(third, 1860.0)])
    states = [later(each, 3600.0) for each in (first, second, third)]
    assert made_at(forecaster, *states) == [4200.0, 4200.0, 600.0 + 1860.0]


@pytest.mark.parametrize(("humidity", "anew"), [(81.2, False), (83.0, True), (78.8, False), (77.0, True)])
def test_air_that_takes_a_tenth_more_or_less_asks_for_another(humidity: float, anew: bool) -> None:
    """Of 80 %RH: a point is a twentieth of what the air takes. Ten minutes of the new air are waited for."""
    room = world(lambda minute: 80.0 if minute < 15 else humidity)
    forecaster, tree = Forecaster(room), dipped(room)
    assert made_at(forecaster, tree) == [600.0]
    assert made_at(forecaster, later(tree, 1200.0)) == [1800.0 if anew else 600.0]


def test_a_gust_of_a_minute_is_no_other_air() -> None:
    """A minute at 65 %RH takes three quarters more: over ten minutes that is 7 %, over five it would be 15."""
    room = world(lambda minute: 65.0 if minute == 15 else 80.0)
    forecaster, tree = Forecaster(room), dipped(room)
    made_at(forecaster, tree)
    assert made_at(forecaster, later(tree, 600.0)) == [600.0]


def test_another_dip_or_rack_is_told_at_once_and_a_dry_tree_no_more() -> None:
    room = world()
    forecaster, tree = Forecaster(room), dipped(room)
    made_at(forecaster, tree)
    assert made_at(forecaster, replace(later(tree, 60.0), rack="rack-b")) == [660.0]
    again = later(tree, 60.0)
    assert made_at(forecaster, again) == [660.0], "back on its rack"
    anew = replace(again, dip=replace(tree.dip, time=BEGIN + timedelta(minutes=2)), at=again.at + 60.0)
    assert made_at(forecaster, anew) == [720.0]
    assert tree.water is not None
    dry = replace(tree.water, left=np.zeros_like(tree.water.left), dry_since=np.full(256, START))
    for_good = replace(anew, water=dry)
    assert made_at(forecaster, later(for_good, 7200.0)) == [720.0]
    assert forecaster.outlooks([replace(anew, complete=True)]) == {}
    forecaster.forget("t-1")
    assert made_at(forecaster, later(anew, 30.0)) == [750.0]


# --- what a weighed dip tells ----------------------------------------------------------------------------------------

COATS = dips.possible_coats(MODELS["middle"], 2, "open", edges=NO_EDGES)
TIMES = np.log(coat.steady_time(COATS, 0.05, REFERENCE_AIR)[0])
EVEN = np.full(256, 1.0 / 256)


def leaning(by: float, narrowed: float) -> np.ndarray:
    """Weights that move the mean of the times by so many of their sd, and leave this share of their variance."""
    score = (TIMES - TIMES.mean()) / TIMES.std()
    precision = 1.0 / narrowed - 1.0
    weights = EVEN * np.exp(-0.5 * precision * (score - by / (1.0 - narrowed)) ** 2)
    return weights / weights.sum()


def variance_share(weights: np.ndarray) -> float:
    mean = float(TIMES @ weights)
    return float((TIMES - mean) ** 2 @ weights) / float(np.var(TIMES))


def test_weighings_that_narrow_the_time_by_less_than_a_fiftieth_tell_nothing() -> None:
    for narrowed in np.linspace(0.9, 0.999, 40):
        weights = leaning(0.0, float(narrowed))
        if abs(variance_share(weights) - 0.98) > 1e-3:
            assert (taught_by("middle", COATS, EVEN, weights) is None) is (variance_share(weights) > 0.98)


def test_what_is_told_is_the_measurement_that_makes_this_of_what_was_expected() -> None:
    """Bayes for a normal: precisions add up, and means by their precisions."""
    weights = leaning(0.3, 0.5)
    found = taught_by("middle", COATS, EVEN, weights)
    assert found is not None
    mean, variance = float(TIMES @ weights), variance_share(weights) * float(np.var(TIMES))
    together = 1.0 / (1.0 / found.variance[0] + 1.0 / np.var(TIMES))
    assert together == pytest.approx(variance)
    combined = together * (found.mean[0] / found.variance[0] + TIMES.mean() / np.var(TIMES))
    assert combined == pytest.approx(mean)


@pytest.mark.parametrize(("by", "narrowed", "way"), [(-1.1, 0.7, -1.0), (1.8, 0.4, 1.0)])
def test_no_measurement_tells_of_times_beyond_two_standard_deviations(by: float, narrowed: float, way: float) -> None:
    weights = leaning(by, narrowed)
    found = taught_by("middle", COATS, EVEN, weights)
    assert found is not None
    assert (found.mean[0] - TIMES.mean()) / TIMES.std() == pytest.approx(way * 2.0)


def test_two_dips_of_one_coat_differ_by_35_percent_on_the_log_of_time() -> None:
    """A dip measured without an error tells another's time no better than that."""
    times = np.log(np.geomspace(0.2, 50.0, 512))[None, :]
    factors = likelihood([Taught("middle", ("open",), times, np.array([math.log(3.0)]), np.array([1e-9]))], "open")
    assert factors is not None
    weights = factors / factors.sum()
    mean = float(times[0] @ weights)
    assert float(np.sqrt((times[0] - mean) ** 2 @ weights)) == pytest.approx(0.35, rel=0.01)


def test_a_slowest_zone_is_held_against_the_same_zone_else_against_the_open_faces() -> None:
    times = np.vstack([np.linspace(0.0, 1.0, 64), np.linspace(1.0, 2.0, 64)])
    word = Taught("middle", ("open", "pocketed"), times, np.array([0.0, 2.0]), np.array([0.01, 0.01]))
    for slowest, best in (("open", 0), ("pocketed", 63), ("deep", 0)):
        factors = likelihood([word], slowest)
        assert factors is not None
        assert int(np.argmax(factors)) == best
