"""Units of the shop, against the SenML registry and exactly defined units."""

import pytest

from drymon.drying.quantities import LIMITS, Quantity
from drymon.messages.units import IMPOSSIBLE, UNITS, to_default


@pytest.mark.parametrize(
    ("quantity", "value", "unit", "expected", "source"),
    [
        ("temperature", 212, "degF", 100, "boiling point, definition of the Fahrenheit scale (memory)"),
        ("temperature", -40, "degF", -40, "where the scales meet"),
        ("temperature", 273.16, "K", 0.01, "triple point of water, SI before 2019 (memory)"),
        ("surface", 98.6, "degF", 37, "definition of the Fahrenheit scale"),
        ("humidity", 0.5, "1", 50, "a ratio in percent"),
        ("humidity", 55, "%", 55, "SenML registry: percent"),
        ("airflow", 196.850394, "ft/min", 1, "NIST SP 811 B.9: 1 ft/min = 0.00508 m/s (memory)"),
        ("airflow", 3.6, "km/h", 1, "definition"),
        ("airflow", 1, "mph", 0.44704, "NIST SP 811 B.9, exact (memory)"),
        ("weight", 1, "lb", 0.45359237, "international pound, exact"),
        ("weight", 1, "oz", 0.028349523125, "avoirdupois ounce, exact"),
        ("weight", 250, "g", 0.25, "definition"),
        ("pressure", 1013.25, "hPa", 101325, "standard atmosphere"),
        ("pressure", 1013.25, "mbar", 101325, "standard atmosphere"),
        ("pressure", 101.325, "kPa", 101325, "standard atmosphere"),
        ("pressure", 29.92126, "inHg", 101325, "standard atmosphere in inches of mercury (memory)"),
        ("temperature", 212, "F", 100, "boiling point, definition of the Fahrenheit scale (memory)"),
        ("temperature", 212, "°F", 100, "boiling point, definition of the Fahrenheit scale (memory)"),
        ("temperature", 37, "°C", 37, "the default by another spelling"),
        ("temperature", 37, "degC", 37, "the default by another spelling"),
        ("temperature", 37, "C", 37, "the default by another spelling"),
        ("temperature", 37, "Cel", 37, "the default"),
        ("humidity", 55, "%RH", 55, "the default"),
        ("humidity", 0.5, "/", 50, "a ratio in percent"),
        ("airflow", 2, "m/s", 2, "the default"),
        ("airflow", 196.850394, "fpm", 1, "NIST SP 811 B.9: 1 ft/min = 0.00508 m/s (memory)"),
        ("airflow", 10, "ft/s", 3.048, "international foot, exact"),
        ("weight", 2, "kg", 2, "the default"),
        ("pressure", 101325, "Pa", 101325, "the default"),
        ("pressure", 1.01325, "bar", 101325, "standard atmosphere"),
        ("co2", 420, "ppm", 420, "the default"),
        ("co2", 0.042, "%", 420, "a million parts are a hundred percent"),
        ("pressure", 760, "mmHg", 101325, "standard atmosphere in millimetres of mercury (memory)"),
    ],
)
def test_conversions(quantity, value, unit, expected, source) -> None:
    assert to_default(Quantity(quantity), value, unit) == pytest.approx(expected, rel=1e-6), source


def test_every_unit_is_converted_above() -> None:
    """A unit that no row above names could be converted wrongly unseen; surfaces speak the units of temperature."""
    (rows,) = (mark.args[1] for mark in test_conversions.pytestmark if mark.name == "parametrize")
    tried = {(quantity, unit) for quantity, _, unit, _, _ in rows}
    known = {(quantity.value, unit) for quantity, units in UNITS.items() for unit in units}
    assert known - {("surface", unit) for unit in UNITS[Quantity.SURFACE]} == tried - {("surface", "degF")}
    assert UNITS[Quantity.SURFACE] is UNITS[Quantity.TEMPERATURE]


def test_registry_scales(published) -> None:
    """RFC 8428 section 12.1 and RFC 8798 section 3: units of ours that the registry has scale as it says."""
    scales = {row["unit"]: float(row["scale_to_primary"]) for row in published("senml_units")}
    checked = set()
    for quantity, units in UNITS.items():
        for unit in units.keys() & scales.keys() - {"/", "%", "K", "g", "ppm"}:  # ratios, offset, gram: checked above
            assert to_default(
                quantity, 50_000 / scales[unit] if quantity == "pressure" else 1.0, unit
            ) == pytest.approx(50_000 if quantity == "pressure" else scales[unit], rel=1e-5)
            checked.add(unit)
    assert checked == {"Cel", "%RH", "m/s", "km/h", "kg", "Pa", "hPa"}


def test_default_units_are_registered(published) -> None:
    registered = {row["unit"] for row in published("senml_units") if row["kind"] == "primary"}
    assert {limits.unit for limits in LIMITS.values()} - registered == {"ppm"}  # what sensors and people say
    assert "ppm" in {row["unit"] for row in published("senml_units") if row["kind"] == "secondary"}


def test_no_unit_means_the_default() -> None:
    assert to_default(Quantity.TEMPERATURE, 21.5) == 21.5


@pytest.mark.parametrize(
    ("quantity", "value", "unit", "told"),
    [
        ("temperature", 20, "furlong", "degF"),
        ("temperature", 20, "%RH", "a unit of humidity"),
        ("weight", 20, "Pa", "kg, g, lb, oz"),
        ("temperature", 20, "degc", "degC"),
        ("humidity", 400, None, "0 to 110"),
        ("humidity", -1, None, "0 to 110"),
        ("temperature", -300, None, "-60 to 150"),
        ("airflow", -0.5, None, "0 to 60"),
        ("temperature", float("nan"), None, "possible are"),
        ("pressure", 1013, None, "30000 to 120000"),
    ],
)
def test_refusals_say_what_is_allowed(quantity, value, unit, told) -> None:
    with pytest.raises(ValueError, match="received") as caught:
        to_default(Quantity(quantity), value, unit)
    assert told in str(caught.value)


def test_doubtful_is_kept_impossible_is_refused() -> None:
    """The limits of doubt lie inside those of the impossible, so that a doubtful reading gets through to be flagged."""
    for quantity, limits in LIMITS.items():
        low, high = IMPOSSIBLE[quantity]
        assert low <= limits.low < limits.high <= high
        assert to_default(quantity, limits.high) == limits.high


@pytest.mark.parametrize("quantity", list(IMPOSSIBLE))
def test_the_ends_of_the_possible_are_possible_and_what_lies_beyond_is_not(quantity) -> None:
    low, high = IMPOSSIBLE[quantity]
    assert [to_default(quantity, end) for end in (low, high)] == [low, high]
    for beyond in (low - 0.001, high + 0.001):
        with pytest.raises(ValueError, match="possible are"):
            to_default(quantity, beyond)
