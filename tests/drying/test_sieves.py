"""US sieve openings against the table of ASTM E11 / ISO 565 and against the preferred-number series behind
it.
"""

import math

import pytest

from drymon.drying import sieves


def test_openings_of_the_standard(published) -> None:
    """ASTM E11 table 1 / ISO 565 (from memory, high certainty)."""
    rows = published("sieves")
    assert len(rows) == 18
    for row in rows:
        assert sieves.opening_um(int(row["US_sieve"].removeprefix("No. "))) == int(row["opening_um"])


def test_all_openings_follow_the_iso_series() -> None:
    """ISO 565: R40/3 preferred numbers (ISO 3), steps of 10^(3/40) from 1 mm without a gap, rounded by up to
    2.5 %.

    No. 500 and 635 are its finer supplementary sizes, of the series R10: 25 and 20 um.
    """
    series = [opening for number, opening in sieves.OPENING_UM.items() if number < 500]
    steps = [round(math.log10(opening / 1000.0) * 40 / 3) for opening in series]
    assert steps == list(range(9, 9 - len(series), -1))
    for opening, step in zip(series, steps, strict=True):
        assert opening == pytest.approx(1000.0 * 10 ** (step * 3 / 40), rel=0.025)
    assert [sieves.opening_um(number) for number in (500, 635)] == [25, 20]


def test_a_higher_number_is_a_finer_sieve() -> None:
    ordered = sorted(sieves.OPENING_UM)
    openings = [sieves.opening_um(number) for number in ordered]
    assert openings == sorted(openings, reverse=True)


@pytest.mark.parametrize("number", [0, 55, 1000, -20])
def test_an_unknown_number_is_refused_with_the_known_ones(number) -> None:
    with pytest.raises(ValueError, match=rf"received {number}, ASTM E11 has 4, 5, 6"):
        sieves.opening_um(number)
