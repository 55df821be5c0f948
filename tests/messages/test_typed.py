"""What people read off a kitchen scale and a ruler: units by their definitions, and slips told with what is allowed."""

import pytest

from drymon.errors import LearningError
from drymon.messages.typed import area_of, gravity_of, mass_of, percent_of, sides_of, whole_of


@pytest.mark.parametrize(
    ("text", "kg", "step"),
    [
        ("412", 0.412, 0.001),
        ("412.5 g", 0.4125, 0.0001),
        (" 412,50g ", 0.4125, 0.00001),
        ("0.412kg", 0.412, 0.001),
        ("1 lb", 0.45359237, 0.45359237),  # the international pound, agreement of 1959
        ("14.5 oz", 14.5 * 0.45359237 / 16, 0.1 * 0.45359237 / 16),
        ("30kg", 30.0, 1.0),
        ("412 G", 0.412, 0.001),
    ],
)
def test_a_mass_and_the_step_of_its_last_digit(text: str, kg: float, step: float) -> None:
    found = mass_of(text)
    assert found.kg == pytest.approx(kg, rel=1e-12)
    assert found.step_kg == pytest.approx(step, rel=1e-12)


@pytest.mark.parametrize("text", ["", "g", "41x", "4 stone", "-4", "0", "30.1 kg", "1e3", "4.1.2", "4 g2", "nan"])
def test_a_mass_that_is_none_is_told(text: str) -> None:
    with pytest.raises(LearningError, match=r"received .*allowed is .*(such as 412 g|up to 30 kg)"):
        mass_of(text)


@pytest.mark.parametrize(
    ("text", "sides"),
    [
        ("10x60", (0.10, 0.60)),
        ("10 x 60 cm", (0.10, 0.60)),
        ("100mm×600mm", (0.10, 0.60)),
        ("4in x 24in", (0.1016, 0.6096)),
        ("4 * 24 in", (0.1016, 0.6096)),
        ("0,1 X 0,6 m", (0.10, 0.60)),
    ],
)
def test_two_sides_in_metres(text: str, sides: tuple[float, float]) -> None:
    assert sides_of(text, 2) == pytest.approx(sides)


def test_three_sides() -> None:
    assert sides_of("10x10x1 cm", 3) == pytest.approx((0.10, 0.10, 0.01))


@pytest.mark.parametrize(
    ("text", "count"), [("10", 2), ("10x60x1", 2), ("10x10", 3), ("axb", 2), ("10x60 ft", 2), ("", 2)]
)
def test_sides_that_are_none_are_told(text: str, count: int) -> None:
    with pytest.raises(LearningError, match=f"received .*allowed are {count} sides with an x between"):
        sides_of(text, count)


@pytest.mark.parametrize("text", ["0x10", "10x301", "1000x6000 cm", "0.05x10 cm"])
def test_a_side_of_another_unit_is_told(text: str) -> None:
    with pytest.raises(LearningError, match="allowed is 1 mm to 3 m a side: look at the unit"):
        sides_of(text, 2)


@pytest.mark.parametrize(
    ("text", "area"),
    [("240", 0.024), ("240cm2", 0.024), ("240 cm²", 0.024), ("0.024 m2", 0.024), ("37.2 in2", 37.2 * 0.0254**2)],
)
def test_an_area(text: str, area: float) -> None:
    assert area_of(text) == pytest.approx(area)


@pytest.mark.parametrize(("text", "area"), [("1 cm2", 1e-4), ("5 m2", 5.0)])
def test_the_ends_of_what_an_area_may_be(text: str, area: float) -> None:
    assert area_of(text) == pytest.approx(area)


@pytest.mark.parametrize("text", ["0", "0.9 cm2", "5.1 m2", "240 cm", "much"])
def test_an_area_that_is_none_is_told(text: str) -> None:
    with pytest.raises(LearningError, match=r"received .*allowed is "):
        area_of(text)


def test_shares_whole_numbers_and_gravities() -> None:
    assert percent_of("73 %", "solids") == pytest.approx(0.73)
    assert percent_of("99.9", "solids") == pytest.approx(0.999)
    assert whole_of(" 4 ", "strips", 50) == 4
    assert gravity_of("1,65") == pytest.approx(1.65)


@pytest.mark.parametrize("text", ["0.73", "100", "-5", "73 g", "%"])
def test_a_share_that_is_none_is_told(text: str) -> None:
    with pytest.raises(LearningError, match=r"received .*allowed is (1 to 99 %|solids in %)"):
        percent_of(text, "solids")


@pytest.mark.parametrize("text", ["0", "51", "2.5", "", "-1", "two"])
def test_a_count_that_is_none_is_told(text: str) -> None:
    with pytest.raises(LearningError, match=r"strips: received .*allowed is a whole number from 1 to 50"):
        whole_of(text, "strips", 50)


@pytest.mark.parametrize("text", ["1", "5", "1650 kg/m3", "thick", ""])
def test_a_gravity_that_is_none_is_told(text: str) -> None:
    with pytest.raises(LearningError, match=r"specific gravity: received .*allowed is a number between 1 and 5"):
        gravity_of(text)
