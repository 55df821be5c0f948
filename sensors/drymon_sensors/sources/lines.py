"""Lines from a serial wire: only whole ones, and what a scale or thermometer says in them. Pure.

A reader that takes what has come by some moment for a line gets "12.3" out of "512.34 g". So lines are put together
here, and what was under way when listening began is thrown away.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from drymon_sensors.quantities import MASS_UNITS, TEMPERATURE_UNITS
from drymon_sensors.tables import as_written

LONGEST = 200
QUIET_S = 0.3
"""A wire that has been silent for so long is between two lines."""


class LineBuffer:
    """Bytes in, whole lines out."""

    def __init__(self) -> None:
        self._bytes = b""
        self._between = False

    def feed(self, data: bytes, quiet_s: float = 0.0) -> Iterator[str]:
        """The lines that `data` completes. quiet_s: for how long nothing had come before it."""
        if quiet_s >= QUIET_S and not self._bytes:
            self._between = True
        *whole, self._bytes = re.split(rb"[\r\n\x02\x03]+", self._bytes + data)
        for line in whole:
            if self._between and line.strip():
                yield line.decode("ascii", "backslashreplace").strip()
            self._between = True
        if len(self._bytes) > LONGEST:  # no scale says so much: another speed, or another device
            self._bytes, self._between = b"", False


@dataclass(frozen=True)
class Said:
    """What a line says. text: the number with the device's own digits; steady: None where it does not say."""

    text: str
    unit: str
    steady: bool | None = None

    @property
    def value(self) -> float:
        """In its unit."""
        return float(self.text)


@dataclass(frozen=True)
class Words:
    """The words of a device beside number and unit. unit: where it sends none; "": then its lines are refused."""

    unit: str = ""
    steady: tuple[str, ...] = ("ST",)
    moving: tuple[str, ...] = ("US",)
    ignored: tuple[str, ...] = ("GS", "NT", "G", "N", "GROSS", "NET")
    faults: tuple[str, ...] = ("OL", "UL", "ERR")


USUAL_WORDS = Words()

_LINE = re.compile(r"((?:[A-Za-z]+[\s,;:]+)*)([+-]?)\s*(\d+(?:\.\d+)?|\.\d+)\s*([A-Za-z°%]*)\Z", re.ASCII)


def read_mass(line: str, words: Words = USUAL_WORDS) -> Said:
    """A scale's line: status words, sign, number, unit. ValueError says what was received and what is allowed."""
    return _read(line, words, MASS_UNITS)


def read_temperature(line: str, words: Words = USUAL_WORDS) -> Said:
    """A thermometer's line, or what a person types: 21.4, 70.5 F."""
    said = _read(line.replace("°", ""), words, TEMPERATURE_UNITS)
    return Said(said.text, TEMPERATURE_UNITS[said.unit], said.steady)


def _read(line: str, words: Words, units: dict[str, float] | dict[str, str]) -> Said:
    match = _LINE.match(line.strip())
    if match is None:
        raise ValueError(f"received {as_written(line)}; allowed is a number and its unit: {', '.join(units)}")
    steady = _steady(match[1].replace(",", " ").replace(";", " ").replace(":", " ").split(), words, line)
    unit = next((unit for unit in units if unit.lower() == match[4].lower()), match[4]) or words.unit
    if unit not in units:
        missing = "no unit" if not unit else f"the unit {as_written(unit)}"
        raise ValueError(f"received {as_written(line)} with {missing}; allowed are {', '.join(units)}, or set unit")
    return Said(match[2].replace("+", "") + match[3], unit, steady)


def _steady(said: list[str], words: Words, line: str) -> bool | None:
    steady: bool | None = None
    for word in (word.upper() for word in said):
        if word in words.faults:
            raise ValueError(f"received {as_written(line)}: the device itself says that something is wrong ({word})")
        if word in words.steady or word in words.moving:
            steady = word in words.steady
        elif word not in words.ignored:
            raise ValueError(
                f"received {as_written(line)} with the word {word}; set it in ignored, if it means nothing"
            )
    return steady


class Steady:
    """When a mass is to be believed: the device says that it is steady, or it says the same so many times running."""

    def __init__(self, equal: int = 3) -> None:
        self._equal = equal
        self._last: Said | None = None
        self._times = 0

    def take(self, said: Said) -> Said | None:
        """The mass, once it is steady."""
        if said.steady is not None:
            self._last, self._times = None, 0
            return said if said.steady else None
        self._times = self._times + 1 if said == self._last else 1
        self._last = said
        return said if self._times >= self._equal else None

    def forget(self) -> None:
        """What was said before says nothing of what is said now."""
        self._last, self._times = None, 0


def step_of(text: str) -> float:
    """The step of the last digit of a number as it is shown: 0.1 of "512.4"."""
    _, _, digits = text.partition(".")
    return round(10.0 ** -len(digits), len(digits))
