"""How much more water a dip brings when its slurry is thicker than usual, by the seconds of a flow cup.

A film that drains off a wall stays as thick as the square root of the viscosity lets it (Jeffreys 1930, Proc. Camb.
Phil. Soc. 26:204), one that is drawn up with a plate goes with the power two thirds (Landau & Levich 1942, Acta
Physicochim. URSS 17:42). Both are for Newtonian liquids, and a slurry that is thinned with water has more water in each
litre. So a somewhat lower power is assumed, with wide bounds; a fit learns the shop's own (both sources from memory).
"""

import math
from dataclasses import replace

from drymon.drying.coat_model import CoatModel
from drymon.drying.cups import viscosity


def of_cup(cup: str | None, seconds: float, band: tuple[float, float]) -> float:
    """How thick a slurry is: natural logarithm of its viscosity over that in the middle of its band.

    cup: a name in `cups.CUPS`. seconds: out of that cup, above 0. band: the seconds that it is kept within, (low,
    high), above 0. Without a cup that has a formula, or where the formula does not hold, of the seconds themselves: the
    viscosity is at least as far from the middle.
    """
    middle = 0.5 * (band[0] + band[1])
    if cup is not None:
        try:
            return math.log(viscosity(cup, seconds) / viscosity(cup, middle))
        except ValueError:
            pass
    return math.log(seconds / middle)


def factor(model: CoatModel, thickness: float) -> float:
    """How many times as thick as usual the coat is, in the middle: so much more water it has, and so much longer is the
    way out of it, once it has dried. thickness: of `of_cup`.
    """
    return math.exp(model.slurry_power.centre * thickness)


def scattered(model: CoatModel, thickness: float) -> CoatModel:
    """The model of one dip: what is not known of the power scatters its slurry's thickness."""
    if thickness == 0.0:
        return model
    return replace(model, slurry_sd=math.hypot(model.slurry_sd, model.slurry_power.sd * thickness))
