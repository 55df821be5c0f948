"""What people read off a kitchen scale and a ruler, as they type it: masses, sizes, areas, shares.

Each raises LearningError with what was received and what is allowed.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass

from drymon.drying.quantities import Quantity
from drymon.errors import LearningError
from drymon.messages.units import UNITS, allowed_units, to_default

_TYPED = re.compile(r"([-+]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][-+]?[0-9]+)?)\s*(.*)", re.DOTALL)
_NUMBER = r"([0-9]{1,7}(?:[.,]([0-9]{1,6}))?)"
_AMOUNT = re.compile(rf"\s*{_NUMBER}\s*([^\s0-9.,]*[23]?)\s*")
_SIDE = re.compile(rf"\s*{_NUMBER}\s*([a-zA-Z]*)\s*")

LENGTHS: Mapping[str, float] = {"cm": 0.01, "mm": 0.001, "m": 1.0, "in": 0.0254}
"""In metres; the inch is exact by the international agreement of 1959."""

AREAS: Mapping[str, float] = {"cm2": 1e-4, "mm2": 1e-6, "m2": 1.0, "in2": 0.0254**2}
MASSES: Mapping[str, float] = {name: unit.factor for name, unit in UNITS[Quantity.WEIGHT].items()}


@dataclass(frozen=True, slots=True)
class Mass:
    """A reading of a scale: kg, and the step of its last digit, kg."""

    kg: float
    step_kg: float


def mass_of(text: str) -> Mass:
    """`412`, `412.5 g`, `0.412 kg`, `14.5oz`; grams without a unit. Above 0 and up to 30 kg."""
    number, decimals, unit = _amount(text, MASSES, "g", "a mass, such as 412 g or 0.412 kg")
    kg = number * MASSES[unit]
    if not 0.0 < kg <= 30.0:
        raise LearningError(f"received {text!r}; allowed is more than 0 and up to 30 kg: kitchen scales, and a unit")
    return Mass(kg, 10.0**-decimals * MASSES[unit])


def sides_of(text: str, count: int) -> tuple[float, ...]:
    """`10x60`, `10 x 60 cm`, `4in x 24in`: so many sides in metres; centimetres without a unit, the last unit for all
    that have none. Each from 1 mm to 3 m.
    """
    example = " x ".join(("10", "60") if count == 2 else ("10", "10", "1"))
    allowed = f"{count} sides with an x between, such as {example} cm; units {', '.join(LENGTHS)}"
    found = [_SIDE.fullmatch(part) for part in re.split(r"[x×*]", text.casefold())]
    sides = [(_float(match[1]), match[3]) for match in found if match is not None]
    units = [unit for _, unit in sides if unit]
    if len(sides) != count or len(found) != count or not all(unit in LENGTHS for unit in units):
        raise LearningError(f"size: received {text!r}; allowed are {allowed}")
    metres = tuple(number * LENGTHS[unit or (units[-1] if units else "cm")] for number, unit in sides)
    if not all(0.001 <= side <= 3.0 for side in metres):
        raise LearningError(f"size: received {text!r}; allowed is 1 mm to 3 m a side: look at the unit")
    return metres


def area_of(text: str) -> float:
    """`240`, `240 cm2`, `0.024 m2`: m2; cm2 without a unit. From 1 cm2 to 5 m2."""
    number, _, unit = _amount(text.replace("²", "2"), AREAS, "cm2", "an area, such as 240 cm2")
    area = number * AREAS[unit]
    if not 1e-4 <= area <= 5.0:
        raise LearningError(f"area: received {text!r}; allowed is 1 cm2 to 5 m2: look at the unit")
    return area


def percent_of(text: str, what: str) -> float:
    """`73`, `73 %`: a share, above 0 and below 1."""
    number, _, _ = _amount(text, {"%": 0.01}, "%", f"{what} in %, such as 73 %")
    if not 1.0 <= number < 100.0:
        raise LearningError(f"{what}: received {text!r}; allowed is 1 to 99 %")
    return number / 100.0


def whole_of(text: str, what: str, most: int) -> int:
    """A whole number from 1 to `most`."""
    if not (text.strip().isdecimal() and 1 <= int(text) <= most):
        raise LearningError(f"{what}: received {text!r}; allowed is a whole number from 1 to {most}")
    return int(text)


def gravity_of(text: str) -> float:
    """`1.65`: a slurry's specific gravity, above that of water and below 5."""
    number = _TYPED.fullmatch(text.strip())
    gravity = _float(number[1]) if number is not None and not number[2] else 0.0
    if not 1.0 < gravity < 5.0:
        raise LearningError(f"specific gravity: received {text!r}; allowed is a number between 1 and 5, such as 1.65")
    return gravity


def quantity_of(quantity: Quantity, text: str) -> float:
    """A typed number, in the quantity's default unit if it has none behind it, in that default unit.

    Raises LearningError with what was received and what is allowed.
    """
    typed = _TYPED.fullmatch(text.strip())
    if typed is None:
        raise LearningError(f"received {text!r}; allowed is a number, or one with its unit: {allowed_units(quantity)}")
    unit = next((name for name in UNITS[quantity] if name.lower() == typed[2].strip().lower()), typed[2].strip())
    try:
        return to_default(quantity, float(typed[1].replace(",", ".")), unit or None)
    except ValueError as error:
        other = "" if unit else f"; if it is in another unit, say so: {allowed_units(quantity)}"
        raise LearningError(f"received {text!r}: {error}{other}") from None


HEAVIEST_METAL_KG = 2000.0


def metal_of(text: str) -> float:
    """`12`, `12kg`, `40lb`: a weight of metal in kg, kg without a unit. Above 0 and up to 2000 kg."""
    kg = quantity_of(Quantity.WEIGHT, text)
    if not 0.0 < kg <= HEAVIEST_METAL_KG:
        raise LearningError(f"received {text!r}; allowed is more than 0 and up to {HEAVIEST_METAL_KG:g} kg")
    return kg


def _amount(text: str, units: Mapping[str, float], usual: str, allowed: str) -> tuple[float, int, str]:
    """Number, decimals and unit."""
    match = _AMOUNT.fullmatch(text)
    unit = (match[3].casefold() or usual) if match else ""
    if match is None or unit not in units:
        raise LearningError(f"received {text!r}; allowed is {allowed}; units {', '.join(units)}")
    return _float(match[1]), len(match[2] or ""), unit


def _float(text: str) -> float:
    return float(text.strip().replace(",", "."))
