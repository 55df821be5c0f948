"""SenML packs in JSON (RFC 8428): base fields resolved, times made absolute.

A pack that cannot be trusted as a whole is refused; a single record that cannot be used costs only itself.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from drymon.messages.complaints import as_written
from drymon.messages.payload import number_in

VERSIONS = range(11)
SECONDARY_UNITS = 26
"""Version 10 with the feature "secondary units" (RFC 9100): hPa and km/h are known here."""

MAX_RECORDS = 2000
"""Of a pack: each is resolved by itself, and may be refused by itself."""

MAX_TEXT = 200
"""Characters of a name or unit: base fields come again with every record, so that long ones would cost their square."""

RELATIVE_BELOW = 2**28
"""Times below are seconds from now (RFC 8428 section 4.5.3)."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*\Z")
_VALUES = ("v", "vs", "vb", "vd")
_BASE_TEXTS = ("bn", "bu")
_BASE_NUMBERS = ("bt", "bv", "bs")


@dataclass(frozen=True, slots=True)
class Record:
    """A resolved record with a number. absolute: the pack itself said the time, not only an age."""

    name: str
    unit: str | None
    value: float
    time: datetime
    absolute: bool


@dataclass
class Pack:
    """What a pack yields: records in their order, and why others were refused."""

    records: list[Record] = field(default_factory=list)
    refusals: list[str] = field(default_factory=list)


def resolve(data: Any, arrived: datetime) -> Pack:
    """Resolves a decoded JSON pack; relative times count from `arrived`. ValueError: unusable as a whole."""
    if not isinstance(data, list) or not data or not all(isinstance(entry, dict) for entry in data):
        raise ValueError("SenML: received no pack; allowed is a JSON array of at least one object")
    if len(data) > MAX_RECORDS:
        raise ValueError(
            f"SenML: received {len(data)} records; allowed are at most {MAX_RECORDS} in a pack: send several"
        )
    _check_versions(data)
    pack, base = Pack(), dict[str, Any]()
    for number, entry in enumerate(data, 1):
        _check_labels(entry, number)
        base |= _base_fields(entry, number)
        try:
            pack.records.append(_record(entry, base, arrived))
        except ValueError as error:
            pack.refusals.append(f"SenML record {number}: {error}")
    return pack


def _check_versions(data: list[Any]) -> None:
    """Section 4.4: one version in the whole pack, none that we do not know."""
    versions = [entry["bver"] for entry in data if "bver" in entry]
    for version in versions:
        known = not isinstance(version, bool) and isinstance(version, int | float)
        if not known or (version not in VERSIONS and version != SECONDARY_UNITS) or version != versions[0]:
            raise ValueError(
                f"SenML bver: received {as_written(version)}; allowed is one in the pack, at most 10, or 26"
            )


def _check_labels(entry: Mapping[str, Any], number: int) -> None:
    """Section 4.4: a label that ends with _ must be understood, and we know none."""
    for label in entry:
        if label.endswith("_"):
            raise ValueError(f"SenML record {number}: received {as_written(label)}, which must be understood; none is")


def _base_fields(entry: Mapping[str, Any], number: int) -> dict[str, Any]:
    """Base fields hold for their own record and all later ones: a broken one spoils the pack."""
    found: dict[str, Any] = {}
    for key in _BASE_TEXTS:
        if key in entry:
            try:
                found[key] = _text(entry, key)
            except ValueError as error:
                raise ValueError(f"SenML record {number}: {error}") from None
    for key in _BASE_NUMBERS:
        if key in entry:
            try:
                found[key] = number_in(entry, key)
            except ValueError as error:
                raise ValueError(f"SenML record {number}: {error}") from None
    return found


def _record(entry: Mapping[str, Any], base: Mapping[str, Any], arrived: datetime) -> Record:
    name = base.get("bn", "") + _text(entry, "n")
    if not _NAME.match(name):
        raise ValueError(
            f"name: received {as_written(name)}; allowed are A-Z a-z 0-9 - : . / _ after a letter or digit"
        )
    present = [key for key in _VALUES if key in entry]
    if len(present) > 1:
        raise ValueError(f"value: received {', '.join(present)}; allowed is exactly one of {', '.join(_VALUES)}")
    if present != ["v"]:
        what = present[0] if present else "only a sum" if "s" in entry else "no value"
        raise ValueError(f"value: received {what}; allowed for a quantity is a number v")
    time, absolute = _time(entry, base, arrived)
    value = base.get("bv", 0.0) + number_in(entry, "v")
    return Record(name, _text(entry, "u") or base.get("bu"), value, time, absolute)


def _text(entry: Mapping[str, Any], key: str) -> str:
    value = entry.get(key, "")
    if not isinstance(value, str):
        raise ValueError(f"{key}: received {as_written(value)}; allowed is text")
    if len(value) > MAX_TEXT:
        raise ValueError(f"{key}: received {as_written(value)}; allowed are at most {MAX_TEXT} characters")
    return value


def _time(entry: Mapping[str, Any], base: Mapping[str, Any], arrived: datetime) -> tuple[datetime, bool]:
    seconds = base.get("bt", 0.0) + (number_in(entry, "t") if "t" in entry else 0.0)
    absolute = seconds >= RELATIVE_BELOW
    try:
        return (_EPOCH if absolute else arrived) + timedelta(seconds=seconds), absolute
    except OverflowError:
        raise ValueError(f"time: received {seconds:g} s; allowed is a time about now") from None
