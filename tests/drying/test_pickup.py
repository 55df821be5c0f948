"""The water of a dip against slurries mixed on paper: masses that add up, volumes that add up."""

import math

import pytest

from drymon.drying.pickup import (
    FLOURS,
    SILICA_DENSITY,
    WATER_SHARES,
    WaterShare,
    box_area,
    pick_up,
    share_by_family,
    share_of_gravity,
    share_of_solids,
)


def mixed(flour_kg: float, binder_kg: float, silica: float, density: float) -> tuple[float, float]:
    """Specific gravity and share of water of a slurry from its weighed parts; quartz glass has 2.2 g/cm3, water 1."""
    water, solid = binder_kg * (1.0 - silica), binder_kg * silica
    litres = water / 1.0 + solid / 2.2 + flour_kg / density
    return (flour_kg + binder_kg) / litres, water / (flour_kg + binder_kg)


@pytest.mark.parametrize(
    ("flour", "density", "parts"),
    [("fused-silica", 2.2, 1.5), ("fused-silica", 2.2, 1.9), ("aluminosilicate", 2.6, 1.9), ("zircon", 4.6, 3.5)],
)
def test_a_slurry_mixed_on_paper_gives_its_water_back(flour: str, density: float, parts: float) -> None:
    gravity, water = mixed(parts, 1.0, 0.27, density)
    found = share_of_gravity(gravity, flour)
    assert found.value == pytest.approx(water, rel=1e-9)
    assert found.sd < 0.15


def test_the_gravities_of_the_trades_slurries() -> None:
    """Fused silica, 1.5 to 1.9 parts to one of binder: 1.61 to 1.70 and 30 to 24 % of water; zircon, 3 to 4 parts of a
    30 % binder: 2.69 to 2.93 and 17.5 to 14 % (reckoned separately from densities; whole percents).
    """
    assert share_of_gravity(1.61, "fused-silica").value == pytest.approx(0.30, abs=0.006)
    assert share_of_gravity(1.70, "fused-silica").value == pytest.approx(0.24, abs=0.006)
    assert share_of_gravity(2.81, "zircon").value == pytest.approx(0.157, abs=0.01)


def test_a_binders_other_silica_is_within_what_is_doubted() -> None:
    """24 and 30 % of silica in the binder, mixed on paper, against the 27 % that is taken: within two of its sds."""
    for silica in (0.24, 0.30):
        gravity, water = mixed(3.5, 1.0, silica, 4.6)
        found = share_of_gravity(gravity, "zircon")
        assert abs(math.log(found.value / water)) < 2.0 * found.sd


@pytest.mark.parametrize(("gravity", "flour"), [(1.05, "fused-silica"), (2.2, "fused-silica"), (2.69, "fused-silica")])
def test_a_gravity_that_no_such_slurry_has_is_refused(gravity: float, flour: str) -> None:
    with pytest.raises(ValueError, match=r"a slurry of fused-silica has between 1\.17 and 2\.16"):
        share_of_gravity(gravity, flour)


def test_the_names_are_told_where_another_is_received() -> None:
    with pytest.raises(ValueError, match=r"flour: received 'mud'; allowed are fused-silica, "):
        share_of_gravity(1.65, "mud")
    with pytest.raises(ValueError, match=r"family: received 'mud'; allowed are prime, backup, seal"):
        share_by_family("mud")


def test_solids_and_water_make_up_the_slurry() -> None:
    found = share_of_solids(0.73)
    assert found.value == pytest.approx(0.27)
    assert found.sd == pytest.approx(0.01 / 0.27)
    with pytest.raises(ValueError, match="allowed is between 0 and 1"):
        share_of_solids(1.0)


@pytest.mark.parametrize("family", WATER_SHARES)
def test_an_unknown_slurry_lies_within_its_familys_range(family: str) -> None:
    """5 and 95 % of a lognormal: 1.645 standard deviations either way."""
    share = share_by_family(family)
    ends = [share.value * math.exp(sign * 1.645 * share.sd) for sign in (-1, 1)]
    assert ends == pytest.approx(WATER_SHARES[family])


def test_the_sides_of_a_tile() -> None:
    """10 x 10 x 1 cm: two of 100 cm2 and four of 10 cm2."""
    assert box_area(0.10, 0.10, 0.01) == pytest.approx(240e-4)


def test_a_tile_tells_the_water_of_a_coat() -> None:
    """24 g of slurry on 240 cm2 are 1 kg/m2; 27 % of water, a twentieth of it soaked in: 0.257 kg/m2."""
    told = pick_up(0.024, 0.001, 240e-4, share_of_solids(0.73), 0.12, 1.05)
    assert told.slurry == pytest.approx(1.0)
    assert told.water == pytest.approx(0.27 / 1.05)
    weighed = 0.001 / 0.024 * math.sqrt(2.0 / 3.0)  # two readings, each anywhere within a gram either way
    assert told.own_sd == pytest.approx(math.sqrt(weighed**2 + 0.05**2 + 0.12**2))
    assert told.shared_sd == pytest.approx(math.hypot(0.10, 0.01 / 0.27))


@pytest.mark.parametrize(("gained", "area"), [(0.0, 0.024), (-0.001, 0.024), (0.02, 0.0)])
def test_a_piece_that_gained_nothing_is_refused(gained: float, area: float) -> None:
    with pytest.raises(ValueError, match="allowed is more than nothing"):
        pick_up(gained, 0.001, area, WaterShare(0.27, 0.1, ""), 0.12)


def test_the_flours_and_the_unknown_slurries_are_those_that_the_trade_uses() -> None:
    """Densities of quartz glass, corundum and zircon by handbooks of minerals (from memory); of calcined clays, and how
    much water there is in slurries of each kind: common practice, no source.
    """
    assert dict(FLOURS) == {"fused-silica": 2.2, "aluminosilicate": 2.6, "alumina": 3.95, "zircon": 4.6}
    assert dict(WATER_SHARES) == {"prime": (0.13, 0.30), "backup": (0.22, 0.32), "seal": (0.22, 0.36)}


def test_what_a_gravity_leaves_open_is_its_own_the_flours_and_the_binders() -> None:
    """A hundredth of gravity, 3 % of the flour's density and 3 points of silica, each mixed on paper, as squares."""
    gravity, water = mixed(1.7, 1.0, 0.27, 2.2)
    there = share_of_gravity(gravity, "fused-silica")
    lighter = mixed_water(gravity + 0.01, 2.2, 0.27)
    heavier, richer = mixed_water(gravity, 2.2 * 1.03, 0.27), mixed_water(gravity, 2.2, 0.30)
    apart = [math.log(other / water) for other in (lighter, heavier, richer)]
    assert there.sd == pytest.approx(math.hypot(*apart), rel=1e-6)


def mixed_water(gravity: float, density: float, silica: float) -> float:
    """The water of the slurry of that gravity, by halving the parts of flour."""
    few, many = 0.01, 50.0
    for _ in range(80):
        parts = 0.5 * (few + many)
        few, many = (parts, many) if mixed(parts, 1.0, silica, density)[0] < gravity else (few, parts)
    return mixed(parts, 1.0, silica, density)[1]


@pytest.mark.parametrize("share", [0.0, 1.0, 1.2, -0.1])
def test_a_slurry_is_neither_all_water_nor_without(share: float) -> None:
    with pytest.raises(ValueError, match=r"share of water: received .*; allowed is between 0 and 1"):
        WaterShare(share, 0.1, "")


def test_silica_is_the_flour_of_fused_silica() -> None:
    assert FLOURS["fused-silica"] == SILICA_DENSITY == 2.2
