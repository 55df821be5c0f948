"""What a cup's seconds were taken to do to the water of a dip, in words. Pure."""

import math

from drymon.drying.coat_model import USUAL_POWER, CoatModel, Spread
from drymon.shop.facts.tank_log import Thickness

HALF_AGAIN = math.log(1.5)
NORMAL_95 = 1.645


def dipped_words(slurry: Thickness, power: Spread) -> str:
    """Of one dip: `dipped in tank-1 at 52 s of its cup, the middle of its band is 40 s: about 12 % more water counted
    (0 to 26 %)`.
    """
    middle = 0.5 * (slurry.band[0] + slurry.band[1])
    head = f"dipped in {slurry.slurry} at {slurry.seconds:g} s of its cup, the middle of its band is {middle:g} s"
    return f"{head}: {_counted(power, slurry.log)}" if slurry.log else f"{head}: water as usual"


def power_words(model: CoatModel) -> str:
    """Of a coat: `half as thick again by the cup brings 18 % more water (8 to 29 %), as its runs say`."""
    from_ = "assumed, for no run was dipped by a cup" if model.slurry_power == USUAL_POWER else "as its runs say"
    return f"slurry half as thick again: {_counted(model.slurry_power, HALF_AGAIN)}; {from_}"


def _counted(power: Spread, thickness: float) -> str:
    """`about 12 % more water counted (0 to 26 %)`."""
    powers = (power.centre, *sorted((power.centre - NORMAL_95 * power.sd, power.centre + NORMAL_95 * power.sd)))
    best, *bounds = (round(100.0 * (math.exp(one * thickness) - 1.0)) for one in powers)
    sign = 1 if best >= 0 else -1
    low, high = sorted(sign * bound for bound in bounds)
    return f"about {sign * best} % {'more' if sign > 0 else 'less'} water counted ({low} to {high} %)"
