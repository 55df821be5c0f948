"""Correlations against the library ht and against textbook examples; then against each other, as physics.

Typing is checked to 1e-9 (the table prints 10 digits); rows that ht does not have are the published formulas
evaluated apart from this code, so for those only the typing is checked.
"""

import ht
import numpy as np
import pytest

from drymon.drying import nusselt

FORMULAS = {
    "0.664 Re^1/2 Pr^1/3 (Pohlhausen; Incropera eq 7.30)": nusselt.plate_laminar,
    "ht.Nu_horizontal_plate_laminar_Baehr": nusselt.plate_laminar,
    "(0.037 Re^4/5 - 871) Pr^1/3 (Incropera eq 7.38)": nusselt.plate_mixed,
    "ht.Nu_cylinder_Churchill_Bernstein": nusselt.cylinder_churchill_bernstein,
    "ht.Nu_cylinder_Zukauskas": nusselt.cylinder_zukauskas,
    "Ranz-Marshall 1952: 2+0.6 Re^1/2 Pr^1/3": nusselt.sphere_ranz_marshall,
    "Whitaker 1972, mu=mu_wall: 2+(0.4Re^1/2+0.06Re^2/3)Pr^0.4": nusselt.sphere_whitaker,
}


@pytest.fixture(scope="module")
def table(published):
    return published("nusselt")


@pytest.mark.parametrize("name", FORMULAS)
def test_each_correlation_against_the_table(table, name) -> None:
    rows = [row for row in table if row["correlation"] == name]
    if name.endswith("Baehr"):  # ht switches form with the Prandtl number: Pohlhausen's between 0.6 and 10
        rows = [row for row in rows if 0.6 <= float(row["Pr"]) <= 10]
    re, pr, nu = (np.array([float(row[key]) for row in rows]) for key in ("Re", "Pr", "Nu"))
    assert re.size >= 9
    np.testing.assert_allclose(FORMULAS[name](re, pr).value, nu, rtol=1e-9)


def test_textbook_examples(published) -> None:
    """Incropera & DeWitt 6th ed. examples 7.1, 7.4, 7.6, to the printed digit."""
    printed = [float(row["printed_value"]) for row in published("nusselt_printed")]
    plate, cylinder, sphere, still = printed
    assert nusselt.plate_laminar(9597, 0.687).value == pytest.approx(plate, abs=0.05)
    assert nusselt.cylinder_churchill_bernstein(6071, 0.70).value == pytest.approx(cylinder, abs=0.05)
    assert nusselt.sphere_whitaker(6510, 0.708, 181.6 / 197.8).value == pytest.approx(sphere, abs=0.06)
    assert nusselt.sphere_ranz_marshall(0.0, 0.7).value == still


@pytest.mark.parametrize("rayleigh", [1e3, 1e5, 7e7, 1e10])
def test_vertical_plate_against_ht(rayleigh) -> None:
    theirs = ht.Nu_vertical_plate_Churchill(Pr=0.71, Gr=rayleigh / 0.71)
    assert nusselt.vertical_plate_churchill_chu(rayleigh, 0.71).value == pytest.approx(theirs, rel=1e-9)


def test_tray_of_geankoplis_example_9_6_3() -> None:
    """Geankoplis 3rd ed. example 9.6-3: 6.1 m/s of air of 1.037 kg/m3 give h = 62.45 W/(m2 K)."""
    assert nusselt.tray_parallel(6.1 * 3600 * 1.037).value == pytest.approx(62.45, rel=2e-3)


def test_impinging_tray_beats_a_parallel_one_at_the_same_flux() -> None:
    """Geankoplis 3rd ed. section 9.6B: at 5000 kg/(m2 h) 27.3 against 18.6 W/(m2 K); worked out by hand."""
    assert nusselt.tray_impinging(5000.0).value == pytest.approx(27.3, abs=0.1)
    assert nusselt.tray_parallel(5000.0).value == pytest.approx(18.6, abs=0.1)


def test_two_authors_on_one_cylinder_differ_by_no_more_than_the_data() -> None:
    """Zukauskas and Churchill-Bernstein, Re 40 to 1e5 in air: within 20 %, as each claims 15-25 %."""
    re = np.geomspace(40.0, 1e5, 50)
    ratio = nusselt.cylinder_zukauskas(re, 0.71).value / nusselt.cylinder_churchill_bernstein(re, 0.71).value
    assert ratio.min() > 0.8
    assert ratio.max() < 1.2


@pytest.mark.parametrize(
    ("estimate", "marks"),
    [
        (nusselt.plate_laminar(np.array([1e4, 6e5]), 0.7), [True, False]),
        (nusselt.plate_mixed(np.array([1e4, 6e5, 2e8]), 0.7), [False, True, False]),
        (nusselt.plate_laminar(1e4, np.array([0.6, 0.7])), [False, True]),
        (nusselt.plate_mixed(6e5, np.array([0.6, 0.7, 60.0])), [False, True, False]),
        (nusselt.cylinder_churchill_bernstein(np.array([0.1, 1e3]), 0.7), [False, True]),
        (nusselt.cylinder_zukauskas(np.array([0.5, 1e3, 2e6]), 0.7), [False, True, False]),
        (nusselt.sphere_ranz_marshall(np.array([100.0, 1e4]), 0.7), [True, False]),
        (nusselt.sphere_whitaker(np.array([1.0, 1e4, 1e5]), 0.71), [False, True, False]),
        (nusselt.vertical_plate_churchill_chu(np.array([1e5, 1e13]), 0.7), [True, False]),
        (nusselt.tray_parallel(np.array([1000.0, 5000.0])), [False, True]),
        (nusselt.tray_impinging(np.array([2500.0, 5000.0, 25000.0])), [False, True, False]),
    ],
)
def test_outside_its_published_range_a_result_is_marked(estimate, marks) -> None:
    assert np.asarray(estimate.valid).tolist() == marks
    assert np.isfinite(estimate.value).all()


def test_limit_combined_convection_is_the_stronger_one_alone() -> None:
    strong, weak, bad = (nusselt.Correlated(*pair) for pair in ((40.0, True), (0.4, True), (0.4, False)))
    assert nusselt.combined(strong, weak).value == pytest.approx(40.0, rel=1e-6)
    assert nusselt.combined(weak, strong).value == pytest.approx(40.0, rel=1e-6)
    assert not nusselt.combined(strong, bad).valid


def test_limit_two_equal_streams_combine_to_the_cube_root_of_two() -> None:
    same = nusselt.Correlated(10.0, True)
    assert nusselt.combined(same, same).value == pytest.approx(12.5992, rel=1e-5)


@pytest.mark.parametrize("rayleigh", [2e4, 3e6, 5e8])
def test_a_level_plate_is_as_another_library_has_it(rayleigh) -> None:
    """McAdams: warm air rising from a plate, and cold air lying on one."""
    rising = ht.Nu_horizontal_plate_McAdams(Pr=0.71, Gr=rayleigh / 0.71, buoyancy=True)
    lying = ht.Nu_horizontal_plate_McAdams(Pr=0.71, Gr=rayleigh / 0.71, buoyancy=False)
    assert nusselt.level_plate_rising(rayleigh).value == pytest.approx(rising, rel=1e-6)
    assert nusselt.level_plate_lying(rayleigh).value == pytest.approx(lying, rel=1e-6)


@pytest.mark.parametrize(
    ("rayleigh", "rising", "lying"),
    [(9e3, 0, 0), (1e4, 1, 0), (1e5, 1, 1), (1e10, 1, 1), (1.1e10, 1, 0), (1e11, 1, 0), (1.1e11, 0, 0)],
)
def test_a_level_plate_tells_where_it_was_not_measured(rayleigh, rising, lying) -> None:
    assert bool(nusselt.level_plate_rising(rayleigh).valid) == bool(rising)
    assert bool(nusselt.level_plate_lying(rayleigh).valid) == bool(lying)
