"""Flow cups: seconds to kinematic viscosity and back, within the times that each standard states.

ISO 2431 (1993 and later): v = a t - c / t. ASTM D4212: v = a (t - b). v in mm2/s, t in s. Both hold for Newtonian
liquids alone. A slurry is none: a cup compares a slurry with itself, in the same cup at the same temperature (common
practice, no source), and the viscosity says in which range of cups it lies, no more.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import sqrt


@dataclass(frozen=True, slots=True)
class Cup:
    """A cup: mm2/s = slope (t - offset) - over / t, between the shortest and longest time that its standard states."""

    standard: str
    slope: float
    offset: float = 0.0
    over: float = 0.0
    shortest_s: float = 20.0
    longest_s: float = 80.0

    @property
    def range_words(self) -> str:
        """`30 to 100 s (ISO 2431)`."""
        return f"{self.shortest_s:g} to {self.longest_s:g} s ({self.standard})"


def _iso(slope: float, over: float) -> Cup:
    return Cup("ISO 2431", slope, over=over, shortest_s=30.0, longest_s=100.0)


def _dip(slope: float, offset: float, shortest_s: float = 20.0) -> Cup:
    return Cup("ASTM D4212", slope, offset, shortest_s=shortest_s)


CUPS: Mapping[str, Cup] = {
    "iso-2431-3": _iso(0.443, 200.0),
    "iso-2431-4": _iso(1.37, 200.0),
    "iso-2431-5": _iso(3.28, 220.0),
    "iso-2431-6": _iso(6.9, 570.0),
    "astm-d4212-z1": _dip(1.1, 29.0, shortest_s=35.0),
    "astm-d4212-z2": _dip(3.5, 14.0),
    "astm-d4212-z3": _dip(11.7, 7.5),
    "astm-d4212-z4": _dip(14.8, 5.0),
    "astm-d4212-z5": _dip(23.0, 0.0),
    "astm-d4212-s1": _dip(0.226, 13.0),
    "astm-d4212-s2": _dip(0.576, 5.0),
    "astm-d4212-s2.5": _dip(0.925, 3.0),
    "astm-d4212-s3": _dip(1.51, 2.0),
    "astm-d4212-s3.5": _dip(2.17, 1.5),
    "astm-d4212-s4": _dip(3.45, 1.0),
    "astm-d4212-s5": _dip(6.5, 1.0),
    "astm-d4212-s6": _dip(16.2, 0.5),
}
"""By name: the standard, and the orifice in mm or the cup's letter and number."""


def viscosity(cup: str, seconds: float) -> float:
    """Kinematic viscosity of a Newtonian liquid that takes so long, mm2/s.

    ValueError: there is no such cup, or its formula does not hold for such a time.
    """
    kind = _kind(cup)
    if not kind.shortest_s <= seconds <= kind.longest_s:
        raise ValueError(f"no viscosity from {seconds:g} s: the formula of {cup} holds for {kind.range_words}")
    return kind.slope * (seconds - kind.offset) - kind.over / seconds


def seconds(cup: str, mm2_per_s: float) -> float:
    """How long a Newtonian liquid of this viscosity takes out of the cup, s; ValueError as in `viscosity`."""
    kind = _kind(cup)
    line = kind.slope * kind.offset + mm2_per_s
    time = (line + sqrt(line * line + 4.0 * kind.slope * kind.over)) / (2.0 * kind.slope)
    if not kind.shortest_s <= round(time, 9) <= kind.longest_s:
        raise ValueError(
            f"no seconds from {mm2_per_s:g} mm2/s: they would be {time:.3g}, the formula of {cup} holds for "
            f"{kind.range_words}"
        )
    return time


def _kind(cup: str) -> Cup:
    if cup not in CUPS:
        raise ValueError(f"cup: received {cup!r}; allowed are {', '.join(CUPS)}")
    return CUPS[cup]
