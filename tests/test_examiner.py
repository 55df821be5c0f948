"""The examiner itself held against outside references: its physics and its statistics must not be the weak link."""

import sys
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).resolve().parent.parent
if not (ROOT / "benchmarks" / "accuracy").is_dir():
    pytest.skip("the examiner lives in the checkout only", allow_module_level=True)
sys.path.insert(0, str(ROOT))
pytest.importorskip("pvlib", reason="the examiner's weather comes from pvlib")

from benchmarks.accuracy.foundry import Foundry, Scatter, Tree  # noqa: E402
from benchmarks.accuracy.rooms import make_room  # noqa: E402
from benchmarks.accuracy.score import wilson_upper  # noqa: E402
from benchmarks.accuracy.shop import rack_air  # noqa: E402
from benchmarks.accuracy.shops import make_shop  # noqa: E402
from benchmarks.accuracy.worlds import layers  # noqa: E402
from benchmarks.accuracy.worlds.layers import NOMINAL, Isotherm, Stacks  # noqa: E402
from benchmarks.accuracy.worlds.moist import MASS_PER_HEAT, convection, vapour_density  # noqa: E402
from benchmarks.accuracy.worlds.protocol import Around  # noqa: E402


def air(celsius: float, humidity: float, heat: np.ndarray) -> Around:
    """The air at one zone, W/m2K by convection and 4 by radiation."""
    one = np.ones(1)
    vapour = humidity * vapour_density(celsius * one)
    return Around(celsius * one, vapour, heat, heat * MASS_PER_HEAT, 4.0 * one)


def bar(coats: int, humidity: float = 0.5, hours: float = 6.0) -> tuple[list[np.ndarray], Stacks, float]:
    """A 20 mm bar dipped `coats` times at 21 degC, 0.6 m/s: shares left, the bar, water lost from the last."""
    stacks = Stacks(NOMINAL, np.ones(1), np.array([4000.0]))
    one, zone = np.ones(1), np.array([0])
    around = air(21.0, humidity, 1.57 * convection(0.6 * one, 0.02))
    curves = []
    lost = 0.0
    for _ in range(coats):
        stacks.dip(zone, "backup", one)
        start, lost, left = stacks.load(zone)[0], 0.0, [1.0]
        for _ in range(int(hours * 60)):
            rate = stacks.step(60.0, around)
            lost += float(rate[0]) * 60.0
            left.append(stacks.load(zone)[0] / start)
        curves.append(np.array(left))
    return curves, stacks, lost


def test_backup_bar_comes_near_the_published_moistures() -> None:
    """Guerra and Dooley, INCAST June 2020, p. 24: 36.5 % left at 60 min, 11.5 % at 120 min, dry near 3 h."""
    curves, _, _ = bar(4)
    first, fourth = curves[0], curves[3]
    assert first[60] == pytest.approx(0.365, abs=0.05)
    assert first[120] == pytest.approx(0.115, abs=0.03)
    dry = [int(np.argmax(curve < 0.05)) for curve in (first, fourth)]
    assert 120 < dry[0] < 200
    assert 5 < dry[1] - dry[0] < 30


def test_water_that_leaves_is_water_that_evaporated() -> None:
    stacks = Stacks(NOMINAL, np.ones(1), np.array([5000.0]))
    one, zone = np.ones(1), np.array([0])
    stacks.dip(zone, "prime-first", one)
    before, evaporated = stacks.weight(zone)[0], 0.0
    for _ in range(300):
        evaporated += 60.0 * float(stacks.step(60.0, air(22.0, 0.4, convection(one, 0.04)))[0])
    assert evaporated > 0.1
    assert before - stacks.weight(zone)[0] == pytest.approx(evaporated, abs=1e-6)


def test_a_shell_left_alone_comes_to_rest_where_the_air_and_the_isotherm_agree() -> None:
    _, stacks, _ = bar(1, humidity=0.65, hours=40)
    activity, _ = Isotherm(NOMINAL.monolayer).look_up(stacks.water[:, :3])
    np.testing.assert_allclose(activity, 0.65, atol=0.005)


def test_saturated_vapour_agrees_with_coolprop() -> None:
    props = pytest.importorskip("CoolProp.CoolProp")
    for celsius in (5.0, 15.0, 22.0, 30.0):
        reference = props.PropsSI("D", "T", celsius + 273.15, "Q", 1, "Water")
        assert float(vapour_density(celsius)) == pytest.approx(reference, rel=0.005)


def test_heat_transfer_agrees_with_the_ht_library() -> None:
    """Churchill and Bernstein by the ht package; the still-air floor adds less than 1 % at these speeds."""
    external = pytest.importorskip("ht.conv_external")
    for speed, diameter in ((1.0, 0.04), (3.0, 0.06)):
        nusselt = external.Nu_cylinder_Churchill_Bernstein(Re=speed * diameter / 1.53e-5, Pr=0.71)
        assert float(convection(speed, diameter)) == pytest.approx(nusselt * 0.0258 / diameter, rel=0.01)


def test_a_minute_is_a_short_enough_step() -> None:
    shop = make_shop("layers", "working-week", 3)
    dry = []
    for seconds in (60.0, 10.0):
        there = rack_air(shop, np.random.default_rng(1), 900, 0)
        quiet = Scatter(0, 0, 0, 0, 0)
        foundry = Foundry(
            shop.world, [Tree("t", "rack-a", "pocketed")], there, 900, np.random.default_rng(2), quiet, seconds=seconds
        )
        foundry.minute = 400
        foundry.dip("t", "backup")
        while foundry.minute < 900:
            foundry.step()
        dry.append(foundry.finish()[0].dry_minute)
    assert dry[0] is not None
    assert dry[0] - 400 == pytest.approx(dry[1] - 400, rel=0.01)


def test_sheltered_trees_take_longer_by_about_the_trade_s_factors() -> None:
    """Common practice, no source: pocketed parts take 2 to 4 times, deep ones 5 to 15 times as long as open faces."""
    there = rack_air(make_shop("layers", "steady", 1), np.random.default_rng(1), 4000, 0)
    trees = [Tree(s, "rack-a", s) for s in ("open", "pocketed", "deep")]
    foundry = Foundry(layers.world(), trees, there, 4000, np.random.default_rng(2), Scatter(0, 0, 0, 0, 0))
    for tree in trees:
        foundry.dip(tree.name, "backup")
    while foundry.minute < 4000:
        foundry.step()
    took = {d.shelter: d.dry_minute for d in foundry.finish()}
    assert 1.8 < took["pocketed"] / took["open"] < 4.0
    assert 4.5 < took["deep"] / took["open"] < 15.0


@pytest.mark.parametrize(("hits", "n"), [(0, 20), (1, 300), (7, 90), (20, 20)])
def test_wilson_bound_agrees_with_scipy(hits: int, n: int) -> None:
    stats = pytest.importorskip("scipy.stats")
    reference = stats.binomtest(hits, n).proportion_ci(0.90, method="wilson").high
    assert wilson_upper(hits, n) == pytest.approx(reference, abs=1e-4)


def test_a_room_is_the_same_every_time_and_another_with_another_seed() -> None:
    small = {"days": 1, "lead_days": 0, "trees": 3, "weighed_runs": 2, "part": "fit"}
    once, again = (make_room("layers", "night-off", 4, **small) for _ in range(2))
    assert once.lines == again.lines
    assert once.lines != make_room("layers", "night-off", 5, **small).lines
    assert any("/log/weigh" in line for line in once.lines)
