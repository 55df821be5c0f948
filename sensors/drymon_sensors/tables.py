"""Strict reading of a table of the configuration: every key known, of its type, within its bounds, or a SetupError."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from math import isfinite
from typing import Any

from drymon_sensors.errors import SetupError

NAME_RULE = "1 to 40 of the characters a-z, 0-9 and -"
_NAME = re.compile(r"[a-z0-9-]{1,40}\Z")
_REQUIRED: Any = object()


class Table:
    """One table. Its methods take a key out; `done` refuses what is left over."""

    def __init__(self, data: Mapping[str, Any], where: str) -> None:
        self._data, self.where = dict(data), where
        self._known: list[str] = []

    def __contains__(self, key: str) -> bool:
        return key in self._data

    def text(self, key: str, default: str = _REQUIRED) -> str:
        """Text that is not empty."""
        value = self._take(key, default)
        if value is default or (isinstance(value, str) and value):
            return str(value)
        raise self.wrong(key, value, 'text in quotes "…"')

    def name(self, key: str, default: str = _REQUIRED) -> str:
        """A name as it stands in a topic."""
        value = self._take(key, default)
        if value is default or (isinstance(value, str) and _NAME.match(value)):
            return str(value)
        raise self.wrong(key, value, NAME_RULE)

    def choice(self, key: str, allowed: Sequence[Any], default: Any = _REQUIRED) -> Any:
        """One of a few values."""
        value = self._take(key, default)
        if value is default or any(value == one and type(value) is type(one) for one in allowed):
            return value
        raise self.wrong(key, value, ", ".join(map(as_written, allowed)))

    def flag(self, key: str, default: bool) -> bool:
        """true or false."""
        return bool(self.choice(key, (True, False), default))

    def number(self, key: str, default: float = _REQUIRED, low: float = -1e300, high: float = 1e300) -> float:
        """A finite number within bounds, both included."""
        value = self._take(key, default)
        if value is default:
            return value
        if not is_number(value) or not low <= value <= high:
            raise self.wrong(key, value, f"a number{_within(low, high)}")
        return float(value)

    def whole(self, key: str, default: int = _REQUIRED, low: int = 0, high: int = 2**31) -> int:
        """A whole number within bounds, both included."""
        value = self._take(key, default)
        if value is default:
            return value
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise self.wrong(key, value, f"a whole number{_within(low, high)}")
        return value

    def pair(self, key: str, default: tuple[float, float]) -> tuple[float, float]:
        """[low, high], low below high."""
        value: Any = self._take(key, list(default))
        if not _is_pair(value) or not value[0] < value[1]:
            raise self.wrong(key, value, "two numbers, the lower first, such as [0, 50]")
        return float(value[0]), float(value[1])

    def points(self, key: str) -> list[tuple[float, float]]:
        """[[from, to], …]; [] where the key is absent."""
        value = self._take(key, None)
        if value is None:
            return []
        if not isinstance(value, list) or len(value) < 2 or not all(map(_is_pair, value)):
            raise self.wrong(key, value, "at least two pairs of numbers, such as [[0.4, 0.0], [2.0, 10.0]]")
        return [(float(left), float(right)) for left, right in value]

    def table(self, key: str, default: Any = None) -> Any:
        """An inner table, or a list of them, as it is; {} or `default` where the key is absent."""
        return self._take(key, {} if default is None else default)

    def done(self) -> None:
        """Nothing may be left: a misspelt key would silently not count."""
        for key in self._data:
            near = get_close_matches(key, self._known, n=1)
            hint = f" (did you mean {near[0]}?)" if near else ""
            known = ", ".join(sorted(self._known))
            raise SetupError(
                f"{self.where}: received the unknown key {as_written(key)}; allowed here are {known}{hint}"
            )

    def wrong(self, key: str, value: Any, allowed: str) -> SetupError:
        """The error for one key's value."""
        return SetupError(f"{self.where}.{key}: received {as_written(value)}; allowed is {allowed}")

    def _take(self, key: str, default: Any) -> Any:
        self._known.append(key)
        if key in self._data:
            return self._data.pop(key)
        if default is _REQUIRED:
            raise SetupError(f"{self.where}.{key}: is missing; it is required")
        return default


def as_written(value: Any) -> str:
    """A value about as it stands in the file, shortened."""
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 80 else text[:77] + "..."


def is_name(text: object) -> bool:
    """Whether this may stand as a name in a topic."""
    return isinstance(text, str) and _NAME.match(text) is not None


def is_number(value: object) -> bool:
    """A finite number; true and false are none."""
    return isinstance(value, (int, float)) and not isinstance(value, bool) and isfinite(value)


def _is_pair(value: object) -> bool:
    return isinstance(value, list) and len(value) == 2 and all(map(is_number, value))


def _within(low: float, high: float) -> str:
    if high >= 1e300:
        return "" if low <= -1e300 else f" of {low:g} or more"
    return f" from {low:g} to {high:g}"
