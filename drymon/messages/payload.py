"""Payloads of readings: bytes to a number with its unit, time and numbering; a ValueError says why not."""

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from difflib import get_close_matches
from math import isfinite
from typing import Any, NamedTuple

from drymon.messages.complaints import as_written
from drymon.messages.times import parse_time

MAX_BYTES = 65_536
"""No sensor or person has more to say at once; a camera on the wrong topic has."""

MAX_DEPTH = 8

MAX_KEYS = 100
"""Of a reading: each is looked at for a slip of the pen, and no sensor has so much to say beside its value."""

READING_KEYS = ("value", "unit", "time", "device", "boot", "seq")

# No digit may be read by two parts of the pattern: the search for the right split would grow with their square.
_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?\Z", re.ASCII)
_DEVICE = re.compile(r"[A-Za-z0-9._:-]{1,64}\Z")


class Number(NamedTuple):
    """What a node calls one of its messages: its name, its boot and a number that goes up by one."""

    device: str
    boot: str
    seq: int


@dataclass(frozen=True, slots=True)
class Content:
    """A payload's content. unit None: the default one; time None: the arrival; seq None: not numbered."""

    value: float
    unit: str | None = None
    time: datetime | None = None
    device: str | None = None
    boot: str | None = None
    seq: int | None = None


def read_text(payload: bytes) -> str:
    """The payload as text without white space around it."""
    if len(payload) > MAX_BYTES:
        raise ValueError(f"payload: received {len(payload)} bytes; allowed are at most {MAX_BYTES}")
    try:
        text = payload.decode("utf-8").strip()
    except UnicodeDecodeError:
        raise ValueError(f"payload: received {len(payload)} bytes that are no UTF-8 text; allowed is text") from None
    if not text:
        raise ValueError("payload: received nothing; allowed is a number or JSON")
    return text


def read_json(text: str) -> Any:
    """JSON as RFC 8259 has it: no NaN or Infinity, no key twice, not deeply nested, text well-formed."""
    try:
        data = json.loads(text, parse_constant=_no_constant, object_pairs_hook=_no_key_twice)
        json.dumps(data, ensure_ascii=False).encode()
    except json.JSONDecodeError as error:
        raise ValueError(f"payload: received {as_written(text)}; allowed is JSON: {error}") from None
    except RecursionError:
        raise ValueError(_too_deep()) from None
    except UnicodeEncodeError:
        raise ValueError("payload: received half of a surrogate pair; allowed is well-formed text") from None
    if _depth(data) > MAX_DEPTH:
        raise ValueError(_too_deep())
    return data


def read_number(text: str) -> float:
    """A bare decimal number."""
    if not _NUMBER.match(text):
        hint = "; write it with a decimal point" if re.fullmatch(r"[+-]?\d+,\d+", text, re.ASCII) else ""
        raise ValueError(f"payload: received {as_written(text)}; allowed is a number such as 21.5{hint}")
    return _finite("value", float(text))


def read_measured(payload: bytes) -> Content:
    """A bare number, or a JSON object with `value` and optionally unit, time, device, boot, seq."""
    text = read_text(payload)
    if text.startswith("["):
        raise ValueError("payload: received a JSON array; a SenML pack belongs on the place's topic senml")
    if not text.startswith("{"):
        return Content(read_number(text))
    data = read_json(text)
    _no_slips(data)
    return Content(
        value=number_in(data, "value"),
        unit=_text_in(data, "unit"),
        time=None if data.get("time") is None else parse_time(data["time"]),
        **_numbering(data),
    )


def numbering_of(payload: bytes) -> Number | None:
    """A node's number for its message, however little of the rest can be used; None where there is none to read."""
    try:
        # More lenient than `read_json`: a broken sensor says NaN, and its message has a number all the same.
        data = json.loads(read_text(payload))
        said = _numbering(data) if isinstance(data, dict) else {}
    except (ValueError, RecursionError):
        return None
    return Number(**said) if "seq" in said else None


def number_in(data: Mapping[str, Any], key: str) -> float:
    """A JSON number under a key; true and "21.5" are none."""
    if key not in data:
        raise ValueError(f"{key}: is missing; it is required")
    value = data[key]
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"{key}: received {as_written(value)}; allowed is a number, not in quotes")
    return _finite(key, value)


def _finite(key: str, value: float) -> float:
    try:
        number = float(value)
    except OverflowError:
        number = float("inf")
    if not isfinite(number):
        raise ValueError(f"{key}: received a number beyond all bounds; allowed is a finite one")
    return number


def _text_in(data: Mapping[str, Any], key: str) -> str | None:
    value = data.get(key)
    if value is None or isinstance(value, str):
        return value
    raise ValueError(f"{key}: received {as_written(value)}; allowed is text")


def _numbering(data: Mapping[str, Any]) -> dict[str, Any]:
    """device, boot, seq: a number means nothing without the other two, for a restarted node counts anew."""
    device, boot, seq = data.get("device"), data.get("boot"), data.get("seq")
    if device is not None and not (isinstance(device, str) and _DEVICE.match(device)):
        raise ValueError(f"device: received {as_written(device)}; allowed are 1 to 64 of A-Z a-z 0-9 . _ : -")
    if boot is not None:
        boot = boot_text(boot)
    if seq is None:
        return {"device": device, "boot": boot}
    if isinstance(seq, bool) or not isinstance(seq, int) or not 0 <= seq < 2**63:
        raise ValueError(f"seq: received {as_written(seq)}; allowed is a whole number from 0 on")
    if device is None or boot is None:
        raise ValueError("seq: received without device or boot; allowed is device, boot and seq together")
    return {"device": device, "boot": boot, "seq": seq}


def boot_text(boot: Any) -> str:
    """A node's boot as the one text that it is kept by: digits are a number, so text that looks like one is quoted."""
    if isinstance(boot, int) and not isinstance(boot, bool) and 0 <= boot < 2**63:
        return str(boot)
    if not (isinstance(boot, str) and 0 < len(boot) <= 64):
        raise ValueError(f"boot: received {as_written(boot)}; allowed is a whole number or 1 to 64 characters")
    return json.dumps(boot) if boot.isdecimal() or boot.startswith('"') else boot


def boot_said(text: str) -> str | int:
    """The boot as the node said it: a node looks for its own word."""
    if text.isdecimal():
        return int(text)
    return str(json.loads(text)) if text.startswith('"') else text


def _no_slips(data: Mapping[str, Any]) -> None:
    """Foreign keys are a sensor's own affair; a misspelt one of ours would change what the value means."""
    if len(data) > MAX_KEYS:
        raise ValueError(f"payload: received {len(data)} keys; allowed are at most {MAX_KEYS}")
    for key in data:
        if key not in READING_KEYS and (near := get_close_matches(key.lower(), READING_KEYS, 1, 0.74)):
            raise ValueError(
                f"payload: received the key {as_written(key)}; did you mean {near[0]}? "
                f"Allowed are {', '.join(READING_KEYS)} and keys unlike these"
            )


def _no_constant(name: str) -> float:
    raise ValueError(f"payload: received {name}; allowed are finite numbers")


def _no_key_twice(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    data = dict(pairs)
    if len(data) < len(pairs):
        raise ValueError("payload: received a key twice; allowed is each key once")
    return data


def _too_deep() -> str:
    return f"payload: received JSON nested too deep; allowed are {MAX_DEPTH} levels"


def _depth(data: Any, level: int = 0) -> int:
    if level > MAX_DEPTH or not isinstance(data, dict | list):
        return level
    inner = data.values() if isinstance(data, dict) else data
    return max((_depth(value, level + 1) for value in inner), default=level + 1)
