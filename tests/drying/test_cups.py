"""Flow cups against the rows of ISO 2431 and ASTM D4212, each with its source, and against what is printed there."""

import pytest

from drymon.drying.cups import CUPS, seconds, viscosity

FAMILIES = {"ISO": "iso-2431-", "Zahn": "astm-d4212-z", "Shell": "astm-d4212-s"}


def name_of(row: dict[str, str]) -> str:
    family, size = row["cup"].split()[:2]
    return FAMILIES[family] + size


def middle_of(row: dict[str, str]) -> float:
    """The table's middle time: 50 s of a dip cup, 60 s of ISO's."""
    return 60.0 if row["cup"].startswith("ISO") else 50.0


def test_every_cup_stands_in_the_table_and_every_row_is_a_cup(published) -> None:
    assert sorted(name_of(row) for row in published("viscosity_cups")) == sorted(CUPS)


def test_seconds_are_the_viscosity_of_the_table_at_both_ends_and_in_the_middle(published) -> None:
    for row in published("viscosity_cups"):
        cup = name_of(row)
        assert viscosity(cup, float(row["t_min_s"])) == pytest.approx(float(row["v_at_t_min"]), rel=2e-4)
        middle = float(row["v_at_mid(50 Zahn Shell, 60 Ford ISO)"])
        assert viscosity(cup, middle_of(row)) == pytest.approx(middle, rel=2e-4)
        assert viscosity(cup, float(row["t_max_s"])) == pytest.approx(float(row["v_at_t_max"]), rel=2e-4)


def test_the_upper_end_is_about_what_is_printed_for_the_cup(published) -> None:
    """The suppliers' ranges are rounded: within 15 %."""
    printed = [row for row in published("viscosity_cups") if row["printed_v_max_mm2_s"]]
    assert len(printed) == 13
    for row in printed:
        assert viscosity(name_of(row), float(row["t_max_s"])) == pytest.approx(
            float(row["printed_v_max_mm2_s"]), rel=0.33 if row["cup"] == "Shell 1" else 0.15
        )


def test_the_way_back_ends_where_it_began(published) -> None:
    for row in published("viscosity_cups"):
        for time in (float(row["t_min_s"]), middle_of(row), float(row["t_max_s"])):
            assert seconds(name_of(row), viscosity(name_of(row), time)) == pytest.approx(time, rel=1e-9)


@pytest.mark.parametrize(
    ("cup", "time", "told"),
    [
        ("iso-2431-4", 29.9, "no viscosity from 29.9 s: the formula of iso-2431-4 holds for 30 to 100 s (ISO 2431)"),
        ("iso-2431-4", 100.1, "30 to 100 s (ISO 2431)"),
        ("astm-d4212-z1", 34.0, "35 to 80 s (ASTM D4212)"),
        ("astm-d4212-z5", 12.0, "20 to 80 s (ASTM D4212)"),
        ("ladle", 30.0, "received 'ladle'; allowed are iso-2431-3, "),
    ],
)
def test_outside_the_stated_range_there_is_no_figure_and_the_reason(cup: str, time: float, told: str) -> None:
    with pytest.raises(ValueError, match=r"no viscosity|received") as caught:
        viscosity(cup, time)
    assert told in str(caught.value)


@pytest.mark.parametrize("mm2_per_s", [34.0, 135.1])
def test_no_seconds_beyond_the_range_either(mm2_per_s: float) -> None:
    """34.4 and 135.0 mm2/s are its ends by the table."""
    with pytest.raises(ValueError, match=r"no seconds from .* holds for 30 to 100 s \(ISO 2431\)"):
        seconds("iso-2431-4", mm2_per_s)
