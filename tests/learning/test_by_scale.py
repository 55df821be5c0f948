"""A cloth's and a piece's weighings judged: what tells nothing is refused with why, what is strange is asked about."""

from collections.abc import Sequence

import numpy as np
import pytest

from drymon.drying.pickup import share_of_solids
from drymon.drying.wet_cloth import AirThere, Cloth
from drymon.errors import LearningError
from drymon.learning.by_cloth import ClothFound, StripsWeighed, judge_cloth
from drymon.learning.by_dip import DipFound, judge_dip
from drymon.messages.coat_models import load_models

STRIPS = Cloth(0.10, 0.60, 4)
ROOM = AirThere.steady(22.0, 50.0)
BACKUP = load_models(None)["backup"]
FAST = 0.182 * 0.48 / 3600.0
"""kg/s that the strips lose at 1 m/s and 22 degC, 50 %RH: 0.18 kg/(m2 h) (`test_wet_cloth` has it from outside)."""


def weighed(*masses: tuple[float, float], step: float = 0.001) -> list[StripsWeighed]:
    """Minutes and grams."""
    return [StripsWeighed(60.0 * minute, grams / 1000.0, step) for minute, grams in masses]


def judged(
    masses: Sequence[StripsWeighed], cloth: Cloth = STRIPS, air: AirThere = ROOM, dry: float | None = None
) -> ClothFound:
    return judge_cloth(cloth, masses, air, dry)


# --- a cloth ---


@pytest.mark.parametrize("step", [0.001, 0.0001])
def test_a_scale_of_a_gram_tells_a_metre_a_second_within_its_bounds(step: float) -> None:
    """Twenty minutes, what the scale shows rounded to its step."""
    grams = [round((0.412 - FAST * 60 * minute) / step) * step * 1000 for minute in (0, 20)]
    found = judged(weighed((0, grams[0]), (20, grams[1]), step=step))
    assert found.drying.low < 1.0 < found.drying.high
    assert found.loss_kg == pytest.approx(FAST * 1200, abs=step)
    assert found.strange == ()


def test_several_weighings_are_taken_by_the_line_through_them() -> None:
    """numpy's least squares: the slope over the whole time."""
    minutes, grams = np.array([0.0, 6.0, 13.0, 20.0]), np.array([412.0, 404.0, 394.0, 384.0])
    slope = np.polyfit(minutes, grams, 1)[0]
    found = judged(weighed(*zip(minutes, grams, strict=True)))
    assert found.loss_kg == pytest.approx(-slope * 20.0 / 1000.0)
    assert found.seconds == 1200.0


@pytest.mark.parametrize(
    ("masses", "told"),
    [
        (weighed((0, 412)), "received 1 weighings; at least 2 are needed"),
        (weighed(), "received 0 weighings"),
        (weighed((0, 412), (4, 400)), "lie 4 min apart; allowed is 5 to 240 min"),
        (weighed((0, 412), (241, 300)), "lie 241 min apart"),
        (weighed((0, 412), (10, 403)), r"it lost 9 g; at least 10 steps .* 10 g: leave it for about 11 min in all"),
        (weighed((0, 412), (10, 412)), r"it lost 0 g; .*: look at the weighings, or hang more strips"),
        (weighed((0, 412), (10, 420)), r"it lost -8 g"),
        (weighed((0, 412), (20, 385), step=0.005), r"at least 10 steps of the scale's digits are needed, 50 g"),
    ],
)
def test_weighings_that_tell_no_loss_are_refused(masses: list[StripsWeighed], told: str) -> None:
    with pytest.raises(LearningError, match=told):
        judged(masses)


def test_ten_steps_to_the_gram_are_enough() -> None:
    assert judged(weighed((0, 412), (10, 402))).loss_kg == pytest.approx(0.010)


def test_damp_air_is_refused_and_air_just_not_so_damp_is_taken() -> None:
    masses = weighed((0, 412), (30, 402))
    with pytest.raises(LearningError, match="the air had 91 %RH; allowed is up to 90 %"):
        judged(masses, air=AirThere.steady(22.0, 91.0))
    assert judged(weighed((0, 412), (60, 400)), air=AirThere.steady(22.0, 90.0)).drying.best > 0.0


@pytest.mark.parametrize(
    ("masses", "told"),
    [
        (weighed((0, 900), (20, 700)), "more than any drying room has; allowed is 0.03 to 10 m/s"),
        (weighed((0, 412), (120, 402)), "less than still air takes"),
    ],
)
def test_a_speed_that_no_room_has_is_refused_with_what_to_look_at(masses: list[StripsWeighed], told: str) -> None:
    with pytest.raises(LearningError, match=rf"{told}.*Look at the size .*unit of the scale, whether it dripped"):
        judged(masses)


def test_a_cloth_near_its_dry_mass_is_refused() -> None:
    with pytest.raises(LearningError, match=r"at the end it weighed 285 g, dry 200 g; at least 1\.5 times"):
        judged(weighed((0, 312), (20, 285)), dry=0.200)
    assert judged(weighed((0, 330), (20, 303)), dry=0.200).strange == ()
    with pytest.raises(LearningError, match="dry: received 420 g, and wet 412 g"):
        judged(weighed((0, 412), (20, 385)), dry=0.420)


def test_a_loss_that_falls_is_refused() -> None:
    """27 g, then 9 g in as long: drying out, or dripping at first."""
    with pytest.raises(LearningError, match=r"the loss falls: at the end 33 % of what it was at first"):
        judged(weighed((0, 412), (20, 385), (40, 376)))


def test_a_loss_that_falls_by_less_than_the_scale_errs_is_taken() -> None:
    """7 g, then 5 g, each to a gram."""
    assert judged(weighed((0, 412), (10, 405), (20, 400))).loss_kg == pytest.approx(0.012)


@pytest.mark.parametrize(("late", "taken"), [(400.2, True), (400.4, False)])
def test_the_edge_between_falling_and_erring_lies_at_two_standard_deviations(late: float, taken: bool) -> None:
    """7 g, then 4.8 or 4.6 g: each weighing anywhere within a gram either way, two differences: twice 1.15 g."""
    masses = weighed((0, 412), (10, 405), (20, late))
    if taken:
        assert judged(masses).loss_kg == pytest.approx(0.0118)
    else:
        with pytest.raises(LearningError, match="the loss falls: at the end 66 %"):
            judged(masses)


def test_the_last_part_is_judged_by_its_own_air() -> None:
    """The middle third of the time is the only damp one: of three parts the first and the last count. And a last part
    of a single minute has that minute's air.
    """
    air = AirThere(np.full(60, 22.0), np.repeat([50.0, 85.0, 50.0], 20), np.full(60, 101_325.0))
    masses = weighed((0, 412), (20, 385), (40, 376), (60, 349))
    assert judged(masses, air=air).loss_kg > 0.055
    short = AirThere(np.full(30, 22.0), np.repeat([50.0, 88.0], [29, 1]), np.full(30, 101_325.0))
    assert judged(weighed((0, 412), (29, 373), (30, 373)), air=short).loss_kg > 0.030


def test_a_loss_that_falls_because_the_air_grew_damp_is_taken() -> None:
    """From 30 to 75 %RH half-way: a wet face loses there about a third of what it lost before."""
    air = AirThere(np.full(40, 22.0), np.repeat([30.0, 75.0], 20), np.full(40, 101_325.0))
    masses = weighed((0, 412), (20, 374), (40, 361))
    assert judged(masses, air=air).loss_kg > 0.040
    with pytest.raises(LearningError, match="the loss falls"):
        judged(masses)


def test_a_cloth_too_light_for_its_size_is_asked_about() -> None:
    """70 g on a face of 0.48 m2 (two of 0.4 x 0.6 m): a sheet alone is 120 g/m2 when dry."""
    found = judged(weighed((0, 97), (20, 70)), cloth=Cloth(0.40, 0.60, 2))
    assert any("146 g/m2 is light for a wet cloth of that size" in each for each in found.strange)


def test_a_cloth_that_lost_a_third_is_asked_about_unless_its_dry_mass_is_known() -> None:
    masses = weighed((0, 81), (60, 54))
    strip = Cloth(0.10, 0.80)
    assert any("it lost 33 % of its mass" in each for each in judged(masses, cloth=strip).strange)
    assert judged(masses, cloth=strip, dry=0.030).strange == ()


# --- a piece ---


def dipped(
    before: float = 512.0,
    after: float = 536.0,
    step: float = 1.0,
    area: float = 0.024,
    solids: float = 0.73,
    **more: object,
) -> DipFound:
    said = before / 1000, after / 1000, step / 1000, area, share_of_solids(solids)
    return judge_dip(*said, model=BACKUP, **{"number": 1, **more})


def test_a_tile_tells_a_coats_water() -> None:
    """24 g on 240 cm2, 27 % of it water."""
    found = dipped()
    assert found.piece.water == pytest.approx(0.27)
    assert found.strange == ()


def test_a_later_coats_soaking_is_no_part_of_its_own_water() -> None:
    """The starting model lets later coats take up to 5 % more: `soak`, levelling off over three coats."""
    soaked = 1.0 + 0.05 * (1.0 - np.exp(-7.0 / 3.0))
    assert dipped(number=8).piece.water == pytest.approx(0.27 / soaked)


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ({"after_stucco": True}, "nobody knows how much of it is stucco"),
        ({"after": 521.0}, r"it gained 9 g; at least 10 steps of the scale's digits are needed, 10 g"),
        ({"after": 500.0}, r"it gained -12 g"),
        ({"after": 640.0}, r"128 g on 240 cm2 are 5\.3 kg/m2 of slurry; allowed is 0\.1 to 5"),
        ({"area": 0.24, "after": 534.0}, r"22 g on 2400 cm2 are 0\.092 kg/m2"),
    ],
)
def test_a_piece_that_tells_nothing_is_refused(said: dict[str, float], told: str) -> None:
    with pytest.raises(LearningError, match=told):
        dipped(**said)


def test_ten_steps_of_gain_are_enough() -> None:
    assert dipped(after=522.0, area=0.012).gained_kg == pytest.approx(0.010)


@pytest.mark.parametrize("after", [520.0, 610.0])
def test_a_water_far_from_the_usual_is_asked_about(after: float) -> None:
    """0.09 and 1.1 kg/m2, where backup coats have about 0.3."""
    found = dipped(after=after, step=0.1)
    assert "far from what is usual, 0.15 to 0.6" in found.strange[0]
