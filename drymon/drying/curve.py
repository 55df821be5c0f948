"""The material curve: how the rate falls as the water goes, and the dose that this takes.

Characteristic drying curve (van Meel 1958; Keey 1972): rate = wet rate x f(left), f = 1 down to the critical share of
water left, then falling. Named forms of the fall stand side by side; a coat model names the one it uses. Dose: time x
wet rate / water held. In steady air the dose to a share left is a closed form, used for tests and first guesses.
"""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from drymon.drying.coat_model import TAILS

Array = npt.NDArray[np.float64]

POWER, FRONT, SUPPLY = range(3)

SUPPLY_DEFICIT = 0.0097
"""kg/m3, deficit of air at 22 degC and 50 % RH: where `inner` of a supply-limited coat is counted."""

LEAST = 1e-9
"""Shares of water below this count as this: keeps the closed forms finite."""


def follows_vapour(tail: str) -> bool:
    """Whether the dried layer of this form resists a flow of vapour, of which a share may in truth be liquid; the
    supply form is such a flow altogether.
    """
    return form_of(tail) != SUPPLY


def form_of(tail: str) -> int:
    """A tail's index in `TAILS`; ValueError for a name that is none: a coat must not dry by another form unnoticed."""
    if tail not in TAILS:
        raise ValueError(f"tail: received {tail!r}; allowed are {', '.join(TAILS)}")
    return TAILS.index(tail)


def relative_rate(left: npt.ArrayLike, critical: npt.ArrayLike, exponent: npt.ArrayLike) -> Array:
    """f: 1 at and above `critical`, (left/critical)^exponent below. All shares 0 to 1, broadcasting."""
    ratio = np.clip(np.asarray(left, dtype=np.float64) / np.asarray(critical), LEAST, 1.0)
    return np.asarray(ratio**exponent)


def outer_dose(left: npt.ArrayLike, critical: npt.ArrayLike, exponent: npt.ArrayLike) -> Array:
    """Dose until `left` remains, without inner resistance: the integral of 1/f from `left` to 1.

    1 - left above the critical share; below it 1 - critical + critical ln(critical/left) for exponent 1, else
    1 - critical + critical/(n - 1) ((left/critical)^(1 - n) - 1). Broadcasting; exponent above 0.
    """
    left_, critical_, n = np.broadcast_arrays(
        np.maximum(np.asarray(left, dtype=np.float64), LEAST),
        critical,
        np.asarray(exponent, dtype=np.float64),
    )
    ratio = np.minimum(left_ / critical_, 1.0)
    power = 1.0 - n
    near_one = np.abs(power) < 1e-6
    safe = np.where(near_one, 1.0, power)
    falling = np.where(near_one, -np.log(ratio), (1.0 - ratio**power) / safe)
    return np.asarray(np.where(left_ >= critical_, 1.0 - left_, 1.0 - critical_ + critical_ * falling))


def inner_dose(left: npt.ArrayLike, critical: npt.ArrayLike) -> Array:
    """Additional dose per unit of inner over outer resistance: the integral of (1 - left/critical) below `critical`.

    A front that recedes into the dried layer (two resistances in series) lengthens the way of the vapour in proportion
    to the layer's dry part: critical/2 (1 - left/critical)^2. Broadcasting.
    """
    critical_ = np.asarray(critical, dtype=np.float64)
    ratio = np.clip(np.asarray(left, dtype=np.float64) / critical_, 0.0, 1.0)
    return np.asarray(0.5 * critical_ * (1.0 - ratio) ** 2)


def inner_now(inner: npt.ArrayLike, liquid: npt.ArrayLike, deficit: npt.ArrayLike) -> Array:
    """Inner resistance [s/m] in air of this deficit [kg/m3], its `liquid` share limiting a flow that asks nothing of
    the air.

    Vapour crosses a dried layer in proportion to the deficit; liquid creeps to the wet part's surface as the pores let
    it, so over a constant resistance it would hurry in dry air and idle in damp air as it does not. Its share is
    counted at `SUPPLY_DEFICIT`. Real coats are between: the share is learnt where weighed runs differ in their air.
    Broadcasting.
    """
    share = np.asarray(liquid, dtype=np.float64)
    return np.asarray(np.asarray(inner) * (1.0 - share + share * (np.asarray(deficit) / SUPPLY_DEFICIT)))


class Fall(NamedTuple):
    """How the resistance [s/m] below the knee rises as the water goes, in air of one deficit: steep * base^power +
    plain + linear * (1 - ratio), where the base is ratio = left / critical, or its remainder to 1 behind a front.

    Every form of `TAILS` is of this shape. steep, plain, linear [s/m], power [-]: broadcasting with the ratio; front:
    who has a front, one word where all are alike.
    """

    steep: Array
    plain: Array
    linear: Array
    power: Array
    front: bool | npt.NDArray[np.bool_]

    def at(self, ratio: Array) -> Array:
        """Resistance at a ratio in (0, 1]."""
        gone = 1.0 - ratio
        base = (gone if self.front else ratio) if isinstance(self.front, bool) else np.where(self.front, gone, ratio)
        return np.asarray(self.steep * base**self.power + self.plain + self.linear * gone)


def fall(
    outer: npt.ArrayLike,
    inner: npt.ArrayLike,
    exponent: npt.ArrayLike,
    form: npt.ArrayLike | None,
    deficit: npt.ArrayLike,
) -> Fall:
    """The fall of the forms of `TAILS`. outer, inner [s/m]; form: index into `TAILS`, one for all or for each, None
    where all are of the power form; deficit [kg/m3]. Broadcasting. ValueError: no such form.
    """
    outer_, inner_, power = (np.asarray(value, dtype=np.float64) for value in (outer, inner, exponent))
    form_ = np.asarray(POWER if form is None else form)
    if form_.ndim == 0 or (form_ == form_.flat[0]).all():
        return _of_one_form(int(form_.flat[0]), outer_, inner_, power, np.asarray(deficit))
    parts = [_of_one_form(kind, outer_, inner_, power, np.asarray(deficit)) for kind in (POWER, FRONT, SUPPLY)]
    chosen = [form_ == POWER, form_ == FRONT]
    columns = (
        np.where(chosen[0], one, np.where(chosen[1], two, three)) for one, two, three in zip(*parts, strict=True)
    )
    steep, plain, linear, own, front = columns
    return Fall(steep, plain, linear, own, front)


def _of_one_form(kind: int, outer: Array, inner: Array, exponent: Array, deficit: Array) -> Fall:
    nothing = np.zeros(())
    if kind == FRONT:
        return Fall(inner, outer, nothing, exponent, True)
    if kind == POWER:
        return Fall(outer, nothing, inner, -exponent, False)
    if kind != SUPPLY:
        raise ValueError(f"form: received {kind}; allowed is an index into {', '.join(TAILS)}")
    limited = inner * (deficit / SUPPLY_DEFICIT)
    return Fall(limited, outer - limited, nothing, -exponent, False)


def resistance_times_water(  # noqa: PLR0913, the curve's parameters, each an array of its own
    left: npt.ArrayLike,
    outer: npt.ArrayLike,
    inner: npt.ArrayLike,
    critical: npt.ArrayLike,
    exponent: npt.ArrayLike,
    form: npt.ArrayLike | None,
    deficit: npt.ArrayLike,
) -> Array:
    """Integral of `fall` over the share of water from `left` to 1 [s/m]: x water / deficit it is the time to
    get there.

    The closed forms of steady air for every form of `TAILS`; the power form is `outer_dose` and `inner_dose`.
    """
    outer_, inner_, critical_ = np.asarray(outer), np.asarray(inner), np.asarray(critical)
    fallen = outer_dose(left, critical, exponent)
    power = outer_ * fallen + inner_ * inner_dose(left, critical)
    if form is None:
        return np.asarray(power)
    gone = 1.0 - np.asarray(left, dtype=np.float64)
    dried = np.clip(1.0 - np.asarray(left, dtype=np.float64) / critical_, 0.0, 1.0)
    power_ = np.asarray(exponent, dtype=np.float64) + 1.0
    layer = critical_ / power_ * dried**power_
    front = outer_ * gone + inner_ * layer
    limited = outer_ * gone + inner_ * (np.asarray(deficit) / SUPPLY_DEFICIT) * (fallen - gone)
    form_ = np.asarray(form)
    return np.asarray(np.where(form_ == POWER, power, np.where(form_ == FRONT, front, limited)))


def sunk_share(left: npt.ArrayLike, sunk: npt.ArrayLike) -> Array:
    """Resistance that sunk water meets over that of the coats it sank into, once no other is left: ln(sunk/left), 0
    above.

    Water that sank into n coats leaves through them, more slowly the less there is of it. The logarithm is an
    assumption: between a front that stops growing and a first-order lag, which would never end.
    """
    ratio = np.asarray(sunk) / np.maximum(np.asarray(left), LEAST)
    return np.asarray(np.log(np.maximum(ratio, 1.0)))


def sunk_dose(left: npt.ArrayLike, sunk: npt.ArrayLike) -> Array:
    """Integral of `sunk_share` over the share of water from `left` to 1: sunk - left - left ln(sunk/left), 0 above."""
    sunk_ = np.asarray(sunk, dtype=np.float64)
    low = np.minimum(np.maximum(np.asarray(left, dtype=np.float64), LEAST), sunk_)
    return np.asarray(sunk_ - low - low * np.log(sunk_ / low))
