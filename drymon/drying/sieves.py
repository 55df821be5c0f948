"""Sieve numbers of stucco and flour: US sieve number to opening.

Openings are the nominal ones of ASTM E11 table 1, which are those of ISO 565 (series R20/3 and R40/3): each is about
19 % wider than the next finer. All are from memory of the standard; every one follows the ISO series.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import Final

OPENING_UM: Final = MappingProxyType(
    {
        4: 4750, 5: 4000, 6: 3350, 7: 2800, 8: 2360, 10: 2000, 12: 1700, 14: 1400, 16: 1180, 18: 1000,
        20: 850, 25: 710, 30: 600, 35: 500, 40: 425, 45: 355, 50: 300, 60: 250, 70: 212, 80: 180,
        100: 150, 120: 125, 140: 106, 170: 90, 200: 75, 230: 63, 270: 53, 325: 45,
        400: 38, 450: 32, 500: 25, 635: 20,
    }
)  # fmt: skip
"""Nominal opening in um by sieve number; a higher number is a finer sieve."""


def opening_um(number: int) -> int:
    """Nominal opening of a US sieve (ASTM E11) in um; ``ValueError`` for an unknown number."""
    try:
        return OPENING_UM[number]
    except KeyError:
        known = ", ".join(str(one) for one in OPENING_UM)
        raise ValueError(f"sieve number: received {number!r}, ASTM E11 has {known}") from None
