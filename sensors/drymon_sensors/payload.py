"""What is said to the broker, and what is understood of the service's words. Pure: no clock, no wire.

The messages are drymon's (docs/messages.md); sensors/tests/joined passes them through the service's own door.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, NamedTuple, Optional

from drymon_sensors.clock import read_stamp, stamp
from drymon_sensors.quantities import QUANTITIES

PREFIX = "drymon"
NEVER = "unknown"
"""In place of a time that nobody will ever know: the service keeps such a reading, and takes it for no evidence."""


class Message(NamedTuple):
    """What to publish. expiry_s: after which the broker is to forget it; None: never."""

    topic: str
    payload: bytes
    expiry_s: Optional[int] = None  # noqa: UP045 - a NamedTuple's annotations are evaluated by Python 3.9
    retain: bool = False


class Number(NamedTuple):
    """What a node calls one of its readings."""

    device: str
    boot: str
    seq: int


class Receipt(NamedTuple):
    """Everything of this boot, up to `seq`, is on the service's disk."""

    boot: str
    seq: int


class ServiceWord(NamedTuple):
    """What the service says of itself. wall: its time, seconds since 1970."""

    online: bool
    wall: float


def reading_topic(room: str, tail: str) -> str:
    """tail: place/quantity[/sensor]."""
    return f"{PREFIX}/{room}/{tail}"


def log_topic(room: str, event: str) -> str:
    """Where a log event is said."""
    return f"{PREFIX}/{room}/log/{event}"


def received_topic(room: str, device: str) -> str:
    """Where the service says what of a node is on its disk."""
    return f"{PREFIX}/{room}/out/received/{device}"


def service_topic(room: str) -> str:
    """Where the service says that it is there, once a minute."""
    return f"{PREFIX}/{room}/out/service"


def status_topic(device: str) -> str:
    """Where a node speaks of itself: not below drymon/, where all but readings and events is refused."""
    return f"workshop/{device}/status"


def reading(room: str, tail: str, value: float, time: str | None, number: Number) -> Message:
    """One numbered reading; time: RFC 3339, None where its arrival is to count, or NEVER."""
    content: dict[str, Any] = {"value": value, "unit": QUANTITIES[tail.split("/")[1]].unit}
    if time is not None:
        content["time"] = time
    return Message(reading_topic(room, tail), as_json({**content, **number._asdict()}))


def lost(room: str, tail: str, number: Number, why: str) -> Message:
    """In place of a reading that is lost, so that the service need not wait for its number; kept there as refused."""
    return Message(reading_topic(room, tail), as_json({**number._asdict(), "lost": why}))


def spot(room: str, tail: str, text: str, unit: str, wall: float | None) -> Message:
    """A reading that a person took; text: the number with its own digits."""
    time = {} if wall is None else {"time": stamp(wall)}
    return Message(reading_topic(room, tail), _with_digits({"value": text, "unit": unit, **time}, "value"))


def weighing(  # noqa: PLR0913, one for each key of the message
    room: str, tree: str, text: str, unit: str, wall: float | None, id_: str, by: str = ""
) -> Message:
    """A weighing on a bench scale; text: the mass with the scale's own digits, in its own unit."""
    content = {"tree": tree, "mass": text, "unit": unit, "id": id_}
    if wall is not None:
        content["time"] = stamp(wall)
    if by:
        content["by"] = by
    return Message(log_topic(room, "weigh"), _with_digits(content, "mass"))


def status(device: str, content: Mapping[str, Any]) -> Message:
    """What a node says of itself."""
    return Message(status_topic(device), as_json(content), retain=True)


def read_receipt(payload: bytes) -> Receipt | None:
    """None where it is none."""
    data = _object(payload)
    boot, seq = data.get("boot"), data.get("seq")
    if not isinstance(boot, str) or isinstance(seq, bool) or not isinstance(seq, int):
        return None  # another's numbering: this program's boots are text
    return Receipt(boot, seq)


def read_service(payload: bytes) -> ServiceWord | None:
    """None where it is no word of the service."""
    data = _object(payload)
    try:
        return ServiceWord(data["state"] == "online", read_stamp(str(data["time"])))
    except (KeyError, ValueError, OverflowError):
        return None


def another_instance(payload: bytes, instance: str) -> bool:
    """Whether a node's status is that of another program which runs under the same name."""
    said = _object(payload)
    return said.get("state") == "online" and said.get("instance", instance) != instance


def as_json(content: Mapping[str, Any]) -> bytes:
    """UTF-8 JSON; a number that is not finite is our own fault: ValueError."""
    return json.dumps(content, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()


def _with_digits(content: Mapping[str, str], key: str) -> bytes:
    """JSON in which one text stands as the number that it is: 512.40 keeps its last digit, and so its step."""
    parts = (
        f'"{name}":{_plain(text) if name == key else json.dumps(text, ensure_ascii=False)}'
        for name, text in content.items()
    )
    return ("{" + ",".join(parts) + "}").encode()


def _plain(text: str) -> str:
    """A number as JSON wants it: no plus, a digit before the point, no zeros before others."""
    sign, digits = ("-", text[1:]) if text.startswith("-") else ("", text.lstrip("+"))
    whole, point, rest = digits.partition(".")
    return f"{sign}{whole.lstrip('0') or '0'}{point}{rest}"


def _object(payload: bytes) -> Mapping[str, Any]:
    try:
        data = json.loads(payload)
    except (ValueError, RecursionError):
        return {}
    return data if isinstance(data, dict) else {}
