"""The first and the last value that each function lets in, and the first beyond them.

Ranges as the functions' own docstrings state them, those of correlations as their authors print them (nusselt.py names
the sources).
"""

import numpy as np
import pytest

from drymon.drying import air, nusselt, surface, transport
from drymon.drying.weight import CellLimits, rounding, step
from drymon.drying.weight_evidence import bench_sd, bench_step

TAKEN = [
    (air.saturation_pressure, (-40.0, 90.0)),
    (air.saturation_slope, (-40.0, 90.0)),
    (lambda humidity: air.vapour_pressure(20.0, humidity), (0.0, 100.0)),
    (lambda pressure: air.humidity_ratio(20.0, 50.0, pressure), (30_000.0, 120_000.0)),
    (lambda ratio: air.humidity_from_ratio(20.0, ratio), (0.0, 1.0)),
    (lambda humidity: air.dew_point(20.0, humidity), (0.1, 100.0)),
    (air.standard_pressure, (-500.0, 9_000.0)),
    (air.psychrometric_constant, (30_000.0, 120_000.0)),
    (transport.dynamic_viscosity, (-40.0, 90.0)),
    (lambda pressure: transport.dry_density(20.0, pressure), (30_000.0, 120_000.0)),
    (lambda pressure: transport.vapour_diffusivity(20.0, pressure), (30_000.0, 120_000.0)),
    (transport.water_density, (0.0, 40.0)),
    (surface.transfer_coefficients, (0.0, 20.0)),
    (lambda humidity: surface.air_drive(20.0, humidity), (0.0, 1000.0)),
]


@pytest.mark.parametrize(("function", "ends"), TAKEN, ids=range(len(TAKEN)))
def test_both_ends_are_let_in_and_nothing_beyond_them(function, ends) -> None:
    for value in ends:
        function(value)
        function(np.array([value, value]))
    width = ends[1] - ends[0]
    for beyond in (ends[0] - 1e-3 * width, ends[1] + 1e-3 * width):
        with pytest.raises(ValueError, match=f"received {beyond:g}"):
            function(beyond)
        with pytest.raises(ValueError, match=f"received {beyond:g}"):
            function(np.array([ends[0], beyond, ends[1]]))


PUBLISHED = [
    (lambda re: nusselt.plate_laminar(re, 0.7), [1.0, 499_999.0], [0.0, 500_001.0]),
    (lambda re: nusselt.plate_mixed(re, 0.7), [5e5, 1e8], [499_999.0, 1.001e8]),
    (lambda pr: nusselt.plate_mixed(6e5, pr), [0.61, 59.9], [0.6, 60.0]),
    (lambda pr: nusselt.plate_laminar(1e4, pr), [0.61], [0.6]),
    (lambda re: nusselt.cylinder_churchill_bernstein(re, 0.7), [0.29], [0.28]),
    (lambda re: nusselt.cylinder_zukauskas(re, 0.7), [1.0, 1e6], [0.99, 1.001e6]),
    (lambda pr: nusselt.cylinder_zukauskas(1e3, pr), [0.7, 500.0], [0.69, 501.0]),
    (lambda re: nusselt.sphere_ranz_marshall(re, 0.7), [0.0, 200.0], [200.1]),
    (lambda re: nusselt.sphere_whitaker(re, 0.71), [3.5, 7.6e4], [3.49, 7.61e4]),
    (lambda pr: nusselt.sphere_whitaker(1e4, pr), [0.70, 380.0], [0.69, 381.0]),
    (lambda ra: nusselt.vertical_plate_churchill_chu(ra, 0.7), [0.0, 1e12], [1.001e12]),
    (nusselt.tray_parallel, [2450.0, 29300.0], [2449.0, 29301.0]),
    (nusselt.tray_impinging, [3900.0, 19500.0], [3899.0, 19501.0]),
]


@pytest.mark.parametrize(("correlation", "inside", "outside"), PUBLISHED, ids=range(len(PUBLISHED)))
def test_a_correlation_is_marked_beyond_its_published_range(correlation, inside, outside) -> None:
    assert [bool(correlation(value).valid) for value in inside] == [True] * len(inside)
    assert [bool(correlation(value).valid) for value in outside] == [False] * len(outside)


def test_zukauskas_changes_his_steps_where_the_table_says() -> None:
    """Incropera 6th ed. table 7.4 (from memory): at 40, 1e3 and 2e5; the exponent of Pr changes at 10."""
    for edge, before, after in ((40.0, (0.75, 0.4), (0.51, 0.5)), (1e3, (0.51, 0.5), (0.26, 0.6)),
                                (2e5, (0.26, 0.6), (0.076, 0.7))):  # fmt: skip
        low, high = (float(nusselt.cylinder_zukauskas(re, 1.0).value) for re in (edge * 0.9999, edge * 1.0001))
        assert low == pytest.approx(before[0] * edge ** before[1], rel=1e-3)
        assert high == pytest.approx(after[0] * edge ** after[1], rel=1e-3)
    of_pr = [float(nusselt.cylinder_zukauskas(1e3, pr).value) / 0.26 / 1e3**0.6 for pr in (9.99, 10.01)]
    assert of_pr == pytest.approx([2.344, 2.291], rel=2e-3)  # 10^0.37 and 10^0.36


def test_every_interpolation_of_transfer_is_that_of_its_own_air() -> None:
    """Air to half a kelvin and a hectopascal: neighbours differ, what is nearer than that does not."""
    usual = surface.transfer_change(22.0, 101_300.0)
    assert surface.transfer_change(22.1, 101_310.0) == usual
    assert surface.transfer_change(22.5, 101_300.0) != usual
    assert surface.transfer_change(22.0, 101_400.0) != usual
    thin = surface.transfer_change(22.0, 80_000.0)
    assert thin[0] < usual[0] == pytest.approx(1.0, abs=1e-3)
    assert thin[1] > usual[1] == pytest.approx(1.0, abs=1e-3)


# --- scales and cells ------------------------------------------------------------------------------------------------


def test_a_bench_scale_errs_by_a_gram_or_a_five_thousandth() -> None:
    """Common practice, no source: they are equal at 5 kg."""
    assert float(bench_sd(0.5)) == pytest.approx(0.001)
    assert float(bench_sd(5.0)) == pytest.approx(0.001)
    assert float(bench_sd(20.0)) == pytest.approx(0.004)


@pytest.mark.parametrize("step_kg", [0.1, 0.05, 0.02, 0.01, 0.005, 0.002])
def test_steps_of_kitchen_and_platform_scales(step_kg) -> None:
    """1, 2 or 5 times a power of ten (OIML R 76-1, from memory)."""
    assert bench_step(np.array([34, 35, 37]) * step_kg) == pytest.approx(step_kg)


@pytest.mark.parametrize("step_lb", [0.5, 0.2, 0.1, 0.05, 0.02, 0.01])
def test_steps_of_scales_in_pounds(step_lb) -> None:
    assert bench_step(np.array([34, 35, 37]) * step_lb * 0.45359237) == pytest.approx(step_lb * 0.45359237)


def test_what_was_rounded_on_its_way_still_shows_its_step_and_a_finer_scale_has_none() -> None:
    """A quarter of a gram off is rounding; 0.35 g is a scale that shows more."""
    assert bench_step(np.array([3.4, 3.45, 3.55025])) == pytest.approx(0.05)
    assert bench_step(np.array([3.4, 3.45, 3.55035])) == 0.0
    assert bench_step(np.array([3.45, 3.45])) == 0.0


def test_a_cells_rounding_is_that_of_a_uniform_error() -> None:
    """Digits of 5 g: 5 / sqrt(12) = 1.443 g; steps as large as a dip are no digits."""
    cell = CellLimits()
    signal = step(step(None, 0.0, 3.000, cell), 10.0, 3.005, cell)
    assert rounding(signal, cell) == pytest.approx(0.001443, rel=1e-3)
    assert rounding(step(None, 0.0, 3.0, cell), cell) == 0.0
    coarse = step(step(None, 0.0, 0.0, cell), 10.0, cell.dip_kg, cell)
    assert rounding(coarse, cell) == pytest.approx(cell.dip_kg / 3.4641, rel=1e-3)
    assert rounding(step(step(None, 0.0, 3.0, cell), 10.0, 3.021, cell), cell) == 0.0
