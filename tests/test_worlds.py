"""Each simulated world's physics held against what must be so whatever it is: water is conserved, comes to rest where
the air says, and does not depend on the step; and against published solutions where there are any."""

import sys
from functools import cache
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).resolve().parent.parent
if not (ROOT / "benchmarks" / "accuracy").is_dir():
    pytest.skip("the examiner lives in the checkout only", allow_module_level=True)
sys.path.insert(0, str(ROOT))
pytest.importorskip("pvlib", reason="the examiner's weather comes from pvlib")

from benchmarks.accuracy import shops  # noqa: E402
from benchmarks.accuracy.foundry import Foundry, Scatter, Tree  # noqa: E402
from benchmarks.accuracy.shop import make_trees, rack_air  # noqa: E402
from benchmarks.accuracy.shops import BACKUP_H, PRIME_H  # noqa: E402
from benchmarks.accuracy.surroundings import Surroundings  # noqa: E402
from benchmarks.accuracy.worlds import by_name as worlds  # noqa: E402
from benchmarks.accuracy.worlds import edges, front, pores, soak  # noqa: E402
from benchmarks.accuracy.worlds.moist import MASS_PER_HEAT, vapour_density  # noqa: E402
from benchmarks.accuracy.worlds.packing import Packing  # noqa: E402
from benchmarks.accuracy.worlds.protocol import Around, Body, Reach, Shells  # noqa: E402

DRAWN = tuple(world for world in worlds.ALL if world != "layers")
ONE, ZONE = np.ones(1), np.array([0])
make_shop = cache(shops.make_shop)
"""Its trying out takes seconds, and what comes of it does not change."""


def air(celsius: float = 22.0, humidity: float = 0.5, heat: float = 15.0, mass: float | None = None) -> Around:
    """The air at one zone: W/m2K by convection, 4 by radiation."""
    mass = heat * MASS_PER_HEAT if mass is None else mass
    return Around(celsius * ONE, humidity * vapour_density(celsius * ONE), heat * ONE, mass * ONE, 4.0 * ONE)


def body_of(world: str, seed: int = 1) -> Body:
    """A material of the world at the pace of a drawn shop."""
    return make_shop(world, "steady", seed).world.body


def dried(shells: Shells, hours: float, around: Around, dt: float = 60.0) -> float:
    """Step a zone for hours; the water that evaporated, kg/m2."""
    return sum(dt * float(shells.step(dt, around)[0]) for _ in range(int(hours * 3600.0 / dt)))


@pytest.mark.parametrize("world", worlds.ALL)
def test_water_that_leaves_is_water_that_evaporated(world: str) -> None:
    shells = body_of(world).shells(ONE, 5000.0 * ONE)
    for coat, humidity in (("prime-first", 0.4), ("backup", 0.6), ("backup", 0.3), ("backup", 0.75)):
        shells.dip(ZONE, coat, ONE)
        before, load = shells.weight(ZONE)[0], shells.load(ZONE)[0]
        gone = dried(shells, 5.0, air(humidity=humidity))
        assert gone > 0.02
        assert before - shells.weight(ZONE)[0] == pytest.approx(gone, abs=2e-6)
        assert load - shells.load(ZONE)[0] == pytest.approx(gone, abs=2e-6)


@pytest.mark.parametrize("world", worlds.ALL)
def test_nothing_is_removable_when_air_at_half_humidity_has_taken_all(world: str) -> None:
    shells = body_of(world).shells(ONE, 5000.0 * ONE)
    for coat in ("prime-first", "backup", "backup"):
        shells.dip(ZONE, coat, ONE)
        start = shells.load(ZONE)[0]
        dried(shells, 120.0, air(humidity=0.5), dt=120.0)
        assert shells.load(ZONE)[0] == pytest.approx(0.0, abs=2e-3 * start)


@pytest.mark.parametrize("world", worlds.ALL)
def test_damp_air_leaves_more_than_dry_air(world: str) -> None:
    left = []
    for humidity in (0.3, 0.65):
        shells = body_of(world).shells(ONE, 5000.0 * ONE)
        shells.dip(ZONE, "backup", ONE)
        dried(shells, 150.0, air(humidity=humidity), dt=120.0)
        left.append(float(shells.load(ZONE)[0]))
    assert left[0] < 0.0 < left[1]


@pytest.mark.parametrize("world", DRAWN)
def test_a_minute_is_a_short_enough_step(world: str) -> None:
    """Every shelter, and so every kind of part that the shop's trees have, in air that changes."""
    shop = make_shop(world, "working-week", 2)
    took = []
    for seconds in (60.0, 30.0):
        trees = [Tree(shelter, "rack-a", shelter) for shelter in ("open", "pocketed", "deep")]
        there = {"rack-a": rack_air(shop, np.random.default_rng(1), 5000, 0)["rack-a"]}
        quiet = Scatter(0, 0, 0, 0, 0)
        foundry = Foundry(shop.world, trees, there, 5000, np.random.default_rng(2), quiet, seconds=seconds)
        foundry.minute = 400
        for tree in trees:
            foundry.dip(tree.name, "backup")
        while foundry.minute < 5000 and min(foundry.gone(tree.name) for tree in trees) < 0.96:
            foundry.step()
        took.append([(dip.dry_minute or np.nan) - dip.minute for dip in foundry.finish()])
    assert np.isfinite(took).all()
    np.testing.assert_allclose(took[0], took[1], rtol=0.0067)  # half of an error that goes with the step


@pytest.mark.parametrize("world", DRAWN)
def test_a_drawn_shop_is_sensible(world: str) -> None:
    for seed in (1, 2):
        shop = make_shop(world, "steady", seed)
        hours = shop.usual_h
        assert BACKUP_H[0] <= hours["backup", "open"] <= BACKUP_H[1]
        assert all(PRIME_H[0] <= hours[coat, "open"] <= PRIME_H[1] for coat in ("prime-first", "prime-fine"))
        assert 1.1 <= hours["backup", "pocketed"] / hours["backup", "open"] <= 4.0 + 1e-9
        assert 1.1 <= hours["backup", "deep"] / hours["backup", "open"] <= 8.0 + 1e-9
        assert len(shop.racks) in (2, 3)
        assert sum((rack, "airflow") not in shop.sensors for rack in shop.racks) == 1
        trees = make_trees(shop, np.random.default_rng(0), 12, 0)
        water = [1000.0 * tree.area * shop.world.body.water("backup") for tree in trees]
        assert 12.0 < min(water) <= max(water) < 170.0


def test_a_drawn_shop_is_always_the_same() -> None:
    assert shops.make_shop("soak", "steady", 1) == make_shop("soak", "steady", 1)


def test_a_stagnant_path_is_a_resistance_of_its_length_over_the_diffusivity_of_vapour() -> None:
    """Diffusivity of water vapour in air near 20 degC 2.5e-5 m2/s (Incropera, table A.8; from memory)."""
    one = np.ones(1)
    places = Surroundings([Reach(path_m=0.02)], one, one)
    around = places.around(60.0, 22.0 * one, 0.5 * one, one, 20.0 * one)
    assert 1.0 / around.mass[0] - 1.0 / (20.0 * MASS_PER_HEAT) == pytest.approx(0.02 / 2.5e-5, rel=1e-6)
    assert around.heat[0] < 20.0


@pytest.mark.parametrize("dt", [5.0, 60.0, 600.0])
def test_a_pocket_s_own_air_comes_to_rest_where_what_comes_in_goes_out(dt: float) -> None:
    """A wet face that gives off a constant rate raises the pocket's vapour by rate over exchange."""
    one = np.ones(1)
    places = Surroundings([Reach(exchange=1e-3, still=0.2, volume_m=0.02)], one, one)
    rate, exchange = 1e-6, 1e-3 * 1.2
    for _ in range(int(7200.0 / dt)):
        places.around(dt, 22.0 * one, 0.5 * one, one, 20.0 * one)
        places.took(rate * one)
    outside = 0.5 * float(vapour_density(22.0))
    assert places.vapour[0] == pytest.approx(outside + rate / exchange, rel=1e-4)


def slab(steep: float, depth: float, diffusivity: float, water: float) -> soak.Soaked:
    """A coat of that thickness on bare wax, with little sorption."""
    coat = soak.Coat(water, depth, diffusivity)
    plain = Packing(0.0, 1.0)
    return soak.Soaked({"backup": coat}, steep=steep, share=0.0, depth=1e-3, dense=0.5, sorbed=0.5, packing=plain)


def test_the_diffusion_world_gives_crank_s_slab(monkeypatch: pytest.MonkeyPatch) -> None:
    """Crank, The Mathematics of Diffusion (1975), eq. 4.18, a slab dried from one face that is dry at once; the coats'
    usual four cells end 3 % later."""
    monkeypatch.setattr(soak, "CELLS_PER_COAT", 16)
    depth, diffusivity = 1e-3, 2e-10
    shells = slab(0.0, depth, diffusivity, 0.1).shells(ONE, 1e9 * ONE)
    shells.dip(ZONE, "backup", ONE)
    start, around, clock = shells.load(ZONE)[0], air(heat=1e4), 0.0
    for fourier in (0.2, 0.5, 1.0, 1.5):
        seconds = fourier * depth**2 / diffusivity
        while clock < seconds - 1.0:
            shells.step(10.0, around)
            clock += 10.0
        odd = 2 * np.arange(50) + 1
        crank = 8.0 / np.pi**2 * np.sum(np.exp(-(odd**2) * np.pi**2 * fourier / 4.0) / odd**2)
        assert shells.load(ZONE)[0] / start == pytest.approx(crank, rel=0.02)


@pytest.mark.parametrize("steep", [0.0, 3.0])
def test_the_diffusion_world_ends_as_crank_s_long_time_solution(steep: float) -> None:
    """The last water leaves with the time constant 4 depth^2 / (pi^2 diffusivity), however steep the diffusivity."""
    depth, diffusivity = 1e-3, 2e-10
    shells = slab(steep, depth, diffusivity, 0.2).shells(ONE, 1e9 * ONE)
    shells.dip(ZONE, "backup", ONE)
    start, around = shells.load(ZONE)[0], air(heat=1e4)
    left = [start]
    while left[-1] > 0.003 * start:
        shells.step(10.0, around)
        left.append(shells.load(ZONE)[0])
    late = np.log(np.array(left)[np.array(left) < 0.01 * start])
    constant = -10.0 / np.diff(late).mean()
    assert constant == pytest.approx(4.0 * depth**2 / (np.pi**2 * diffusivity), rel=0.05)
    assert np.std(np.diff(late)) < 0.03 * abs(np.diff(late).mean())


def test_the_front_without_films_takes_the_time_of_two_resistances_in_series() -> None:
    """A front that recedes through `depth` behind a film: water / drive * (film + depth / (2 * diffusivity)), the
    quasi-steady solution of shrinking-core models (Levenspiel, Chemical Reaction Engineering, chapter 25; from memory).
    """
    depth, vapour, water = 1.2e-3, 1.5e-6, 0.25
    coat = front.Coat(water, depth, vapour)
    body = front.Receding({"backup": coat}, 1e-9, 2.0, 0.0, 0.0, 1e3, Packing(0.0, 1.0))
    shells, around = body.shells(ONE, 1e9 * ONE), air(heat=15.0)
    shells.dip(ZONE, "backup", ONE)
    seconds = 0.0
    while shells.load(ZONE)[0] > 1e-9:
        shells.step(20.0, around)
        seconds += 20.0
    drive = 0.5 * float(vapour_density(22.0))
    expected = water / drive * (1.0 / around.mass[0] + depth / (2.0 * vapour))
    assert seconds == pytest.approx(expected, rel=0.01)


def test_kelvin_s_radius_agrees_with_coolprop() -> None:
    props = pytest.importorskip("CoolProp.CoolProp")
    tension = props.PropsSI("I", "T", 293.15, "Q", 0, "Water")
    molar = 0.018015 / props.PropsSI("D", "T", 293.15, "Q", 0, "Water")
    assert pytest.approx(2.0 * tension * molar / (8.314 * 293.15), rel=0.01) == pores.KELVIN


def test_a_bundle_gives_its_widest_pores_first_and_carries_less_and_less() -> None:
    body = body_of("pores")
    assert isinstance(body, pores.Bundle)
    full, activity, carries = body.table
    assert (np.diff(full) >= 0).all()
    assert (np.diff(activity) >= 0).all()
    half, whole = (float(np.interp(share, full, carries)) for share in (0.5, 1.0))
    assert whole == pytest.approx(0.0, abs=0.05)
    assert np.exp(half) < 0.5


def test_stores_end_with_the_slowest_of_their_own_rates() -> None:
    """The late rate is the smallest eigenvalue of the linear system (numpy's), whatever the start was."""
    coat = edges.Coat(0.25, 4e-5)
    body = edges.Edged({"backup": coat}, ((1.0, 1.0),), 0.4, 0.3, 1.0, 3.0, 0.01, 0.0, 0.03)
    shells, around = body.shells(ONE, 1e9 * ONE), air(heat=15.0, humidity=0.5)
    shells.dip(ZONE, "backup", ONE)
    shells.dip(ZONE, "backup", ONE)
    dried(shells, 6.0, around)
    left = []
    for _ in range(20):
        left.append(shells.load(ZONE)[0])
        dried(shells, 0.5, around, dt=15.0)
    room, (first, second) = shells.room[0], shells.passes[0]
    slope = around.mass[0] * float(vapour_density(22.0)) * 0.5 / 0.03  # of the rate by the filling, at half humidity
    system = np.array([[first + slope, -first, 0.0], [-first, first + second, -second], [0.0, -second, second]]) / room
    slowest = np.linalg.eigvals(system).real.min()
    measured = -np.diff(np.log(left[:8])).mean() / 1800.0
    assert measured == pytest.approx(slowest, rel=0.03)


def test_edges_are_the_last_to_dry_and_a_scale_hardly_sees_them() -> None:
    shop = make_shop("edges", "steady", 1)
    there = {"rack-a": rack_air(shop, np.random.default_rng(1), 3000, 0)["rack-a"]}
    quiet = Scatter(0, 0, 0, 0, 0)
    foundry = Foundry(shop.world, [Tree("t", "rack-a", cell="c")], there, 3000, np.random.default_rng(2), quiet)
    foundry.dip("t", "backup")
    while foundry.minute < 3000:
        foundry.step()
    took = int(foundry.finish()[0].dry_minute or 0)
    zones = foundry.zones["t"]
    gone = 1.0 - foundry.loads[took, zones] / foundry.loads[0, zones]
    assert gone[0] > 0.96
    assert gone[-1] == pytest.approx(0.95, abs=0.002)
    mass = foundry.masses["t"]
    lost = (mass[1] - mass[took]) / (mass[1] - mass[2999])
    assert lost > 0.96
