"""What values of room.toml and of log events may be: field types with their ranges.

Ranges are wide on purpose: they catch slips of the pen (a dry_at of 95, a humidity of 500), not odd shops.
"""

import re
from datetime import time
from difflib import get_close_matches
from typing import Annotated, Literal
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, Field

from drymon.drying.cups import CUPS
from drymon.drying.sieves import OPENING_UM
from drymon.messages.names import NAME_PATTERN, RESERVED_RACKS
from drymon.messages.settings import SERVER_SCHEMES
from drymon.shop.alarms.alarm_kinds import KINDS
from drymon.shop.facts.slips import did_you_mean


def between(low: float, high: float) -> AfterValidator:
    def check(value: float) -> float:
        if not low <= value <= high:
            raise ValueError(f"{low:g} to {high:g}")
        return value

    return AfterValidator(check)


def above_zero(high: float) -> AfterValidator:
    def check(value: float) -> float:
        if not 0 < value <= high:
            raise ValueError(f"above 0, at most {high:g}")
        return value

    return AfterValidator(check)


def _share(value: float) -> float:
    if not 0.5 <= value < 1:
        raise ValueError("a share from 0.5 to below 1: 0.95 stands for 95 %")
    return value


def _ascending(pair: list[float]) -> list[float]:
    if not pair[0] < pair[1]:
        raise ValueError("two numbers, the lower first")
    return pair


def _not_descending(pair: list[float]) -> list[float]:
    if not pair[0] <= pair[1]:
        raise ValueError("two numbers, the lower first")
    return pair


def _mesh(number: int) -> int:
    if number not in OPENING_UM:
        raise ValueError(f"a sieve number of ASTM E11: {', '.join(map(str, OPENING_UM))}")
    return number


def _timezone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError('a time zone of the IANA list, such as "UTC" or "Europe/Lisbon"') from None
    return name


def _rack_name(name: str) -> str:
    if name in RESERVED_RACKS:
        raise ValueError(f"any name but {', '.join(RESERVED_RACKS)}: these are levels of the topics")
    return name


def _topic(topic: str) -> str:
    if not topic or "\0" in topic or "+" in topic or "#" in topic or len(topic.encode()) > 65535:
        raise ValueError("one full MQTT topic, without the wildcards + and #")
    return topic


def _host_name(name: str) -> str:
    if not _HOST_NAME.fullmatch(name):
        raise ValueError('a host name alone, such as "drymon.local": letters, digits, - and dots, no port, no http://')
    return name


def _address(text: str) -> str:
    if not _ADDRESS.fullmatch(text):
        raise ValueError('one address of mail, such as "kim@example.org"')
    return text


def _sender(text: str) -> str:
    if not _SENDER.fullmatch(text):
        raise ValueError('one address of mail, such as "drymon@example.org" or "Drymon <drymon@example.org>"')
    return text


def _time_of_day(text: str) -> str:
    try:
        moment = time.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is not None:
        raise ValueError('a time of day in the room\'s own time zone, such as "06:30"')
    return text


def minutes_of(text: str) -> int:
    """Minutes after midnight of a time such as "07:00"."""
    hour, minute = text.split(":")
    return 60 * int(hour) + int(minute)


def _clock_time(text: str) -> str:
    if not _CLOCK_TIME.fullmatch(text):
        raise ValueError('a time of day from "00:00" to "24:00", in the room\'s own time zone')
    return text


def _kind(name: str) -> str:
    if name not in KINDS:
        near = get_close_matches(name, KINDS, n=1)
        raise ValueError(f"a kind of alarm: {', '.join(KINDS)}" + (f" (did you mean {near[0]}?)" if near else ""))
    return name


def _cup(name: str) -> str:
    if name not in CUPS:
        raise ValueError(f"a cup of {did_you_mean(name, CUPS, most=1)}")
    return name


def store_url(url: str) -> str:
    """The address of a database that rooms share; ValueError says what is allowed."""
    try:
        parts = urlsplit(url)
    except ValueError:
        parts = urlsplit("")
    if not url.startswith(SERVER_SCHEMES) or not parts.path.strip("/") or parts.fragment:
        raise ValueError('the address of a PostgreSQL database, such as "postgresql://drymon@db/shells"')
    if parts.password or "password=" in parts.query:
        raise ValueError(
            "an address without a password: put that into ~/.pgpass, or into the file that PGPASSFILE names, of the "
            "user that drymon runs as"
        )
    return url


_CLOCK_TIME = re.compile(r"([01][0-9]|2[0-3]):[0-5][0-9]|24:00")
WEEK: tuple[Literal["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"], ...] = (
    "Mon",
    "Tue",
    "Wed",
    "Thu",
    "Fri",
    "Sat",
    "Sun",
)
_HOST_NAME = re.compile(
    r"(?=.{1,253}\Z)[A-Za-z0-9]([A-Za-z0-9-]{0,61}[A-Za-z0-9])?(\.[A-Za-z0-9]([A-Za-z0-9-]{0,61}[A-Za-z0-9])?)*"
)
"""RFC 1123, section 2.1: labels of letters, digits and inner hyphens, 63 at most, 253 in all."""
_ATOMS = r"[^\s\x00-\x1f\x7f@()<>\[\]:;,.\\\"]+"
_ADDRESS = re.compile(rf"{_ATOMS}(\.{_ATOMS})*@{_ATOMS}(\.{_ATOMS})*")
"""RFC 5322, section 3.4.1, as dot-atoms alone: the email library fails on some of what is more than that."""
_SENDER = re.compile(rf'{_ADDRESS.pattern}|({_ATOMS}( {_ATOMS})*|"[^"\\\x00-\x1f\x7f]+") <{_ADDRESS.pattern}>')
Name = Annotated[str, Field(pattern=NAME_PATTERN)]
RackName = Annotated[Name, AfterValidator(_rack_name)]
Label = Annotated[str, Field(max_length=200)]
Text = Annotated[str, Field(min_length=1, max_length=1000)]
Topic = Annotated[str, AfterValidator(_topic)]
TimeZone = Annotated[str, AfterValidator(_timezone)]
HostName = Annotated[str, AfterValidator(_host_name)]
Address = Annotated[Text, AfterValidator(_address)]
Sender = Annotated[Text, AfterValidator(_sender)]
TimeOfDay = Annotated[str, AfterValidator(_time_of_day)]
ClockTime = Annotated[str, AfterValidator(_clock_time)]
Kind = Annotated[str, AfterValidator(_kind)]
StoreUrl = Annotated[Text, AfterValidator(store_url)]
Share = Annotated[float, AfterValidator(_share)]
CupName = Annotated[str, AfterValidator(_cup)]
Port = Annotated[int, between(1, 65535)]
Hours = Annotated[float, above_zero(8760)]
LONGEST_USUAL_H = 336.0
"""Hours that a shop may usually wait: the forecast's 14 days. Beyond, days or minutes were meant."""
LONGEST_CUP_S = 600.0
"""Seconds out of a cup: beyond, no slurry runs out of one."""
DENSITIES = (0.9, 6.0)
"""kg/L: below, no slurry has water alone; above, no flour weighs so much."""
Mesh = Annotated[int, AfterValidator(_mesh)]
Pair = Field(min_length=2, max_length=2)
Ascending = AfterValidator(_ascending)
TemperatureBand = Annotated[list[Annotated[float, between(-10, 60)]], Pair, Ascending]
HumidityBand = Annotated[list[Annotated[float, between(0, 100)]], Pair, Ascending]
AirflowBand = Annotated[list[Annotated[float, between(0, 20)]], Pair, Ascending]
SecondsBand = Annotated[list[Annotated[float, above_zero(LONGEST_CUP_S)]], Pair, Ascending]
DensityBand = Annotated[list[Annotated[float, between(*DENSITIES)]], Pair, Ascending]
PhBand = Annotated[list[Annotated[float, between(0, 14)]], Pair, Ascending]
AirflowRange = Annotated[list[Annotated[float, between(0, 20)]], Pair, AfterValidator(_not_descending)]
