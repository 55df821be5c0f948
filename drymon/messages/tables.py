"""The tables of room.toml as pydantic models: keys, types, ranges; `config` looks across tables.

Ranges are wide on purpose: they catch slips of the pen (a dry_at of 95, a humidity of 500), not odd shops.
"""

import re
from datetime import time
from difflib import get_close_matches
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from drymon.drying.quantities import Quantity
from drymon.drying.sieves import OPENING_UM
from drymon.messages.names import NAME_PATTERN, RESERVED_RACKS
from drymon.shop.alarms.alarm_kinds import KINDS


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
Port = Annotated[int, between(1, 65535)]
Hours = Annotated[float, above_zero(8760)]
LONGEST_USUAL_H = 336.0
"""Hours that a shop may usually wait: the forecast's 14 days. Beyond, days or minutes were meant."""
Mesh = Annotated[int, AfterValidator(_mesh)]
Pair = Field(min_length=2, max_length=2)
TemperatureBand = Annotated[list[Annotated[float, between(-10, 60)]], Pair, AfterValidator(_ascending)]
HumidityBand = Annotated[list[Annotated[float, between(0, 100)]], Pair, AfterValidator(_ascending)]
Co2Band = Annotated[list[Annotated[float, between(0, 10_000)]], Pair, AfterValidator(_ascending)]
AirflowBand = Annotated[list[Annotated[float, between(0, 20)]], Pair, AfterValidator(_ascending)]
AirflowRange = Annotated[list[Annotated[float, between(0, 20)]], Pair, AfterValidator(_not_descending)]


class Table(BaseModel):
    """Strict: a number in quotes is no number, an unknown key is refused."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


class RoomTable(Table):
    name: Name
    label: Label = ""
    timezone: Annotated[str, AfterValidator(_timezone)] = "UTC"
    altitude_m: Annotated[float, between(-430, 9000)] = 0.0
    stale_after_min: Annotated[float, above_zero(1440)] = 10.0
    edges: Literal["even", "usual", "thick"] = "usual"


class BrokerTable(Table):
    host: Text = "localhost"
    port: Port | None = None
    username: Text | None = None
    password_file: Text | None = None
    ca_file: Text | None = None
    cert_file: Text | None = None
    key_file: Text | None = None

    @model_validator(mode="after")
    def _belong_together(self) -> "BrokerTable":
        if self.password_file and not self.username:
            raise ValueError("received password_file without username; allowed is password_file only with username")
        if (self.cert_file is None) != (self.key_file is None):
            raise ValueError("received one of cert_file and key_file; allowed are both or neither")
        if self.cert_file and not self.ca_file:
            raise ValueError("received cert_file without ca_file; allowed is cert_file only together with ca_file")
        return self


class PageTable(Table):
    host: Text = "127.0.0.1"
    port: Port = 8480
    password_file: Text | None = None
    names: list[Annotated[str, AfterValidator(_host_name)]] = []


class RackTable(Table):
    name: RackName
    label: Label = ""
    air: Annotated[list[Name], Field(min_length=1)] | None = None
    airflow_assumed: AirflowRange = [0.3, 2.0]


class CellTable(Table):
    name: Name
    rack: Name
    label: Label = ""


class SourceTable(Table):
    topic: Topic
    place: Name
    quantity: Annotated[Quantity, Field(strict=False)]
    unit: str | None = None
    field: Text | None = None
    sensor: Name | None = None
    label: Label = ""


class BandTable(Table):
    temperature_c: TemperatureBand | None = None
    humidity_pct: HumidityBand | None = None
    airflow_m_per_s: AirflowBand | None = None
    co2_ppm: Co2Band | None = None
    swing_c: Annotated[float, above_zero(30)] | None = None


class CoatTable(Table):
    name: Name
    family: Literal["prime", "backup", "seal"]
    label: Label = ""
    stucco_mesh: Annotated[list[Mesh], Field(max_length=2)] | None = None
    dry_at: Annotated[float, AfterValidator(_share)] = 0.95
    shortest_wait_h: Hours | None = None
    longest_wait_h: Hours | None = None
    usual_wait_h: Annotated[float, above_zero(LONGEST_USUAL_H)] | None = None
    fastest_loss_pct_per_h: Annotated[float, above_zero(10_000)] | None = None
    room: BandTable = Field(default_factory=BandTable)

    @model_validator(mode="after")
    def _window_is_open(self) -> "CoatTable":
        shortest, longest = self.shortest_wait_h, self.longest_wait_h
        if shortest is not None and longest is not None and shortest >= longest:
            raise ValueError(
                f"received shortest_wait_h {shortest:g} and longest_wait_h {longest:g}; allowed is only a "
                "shortest_wait_h below longest_wait_h, else the coat could never be dipped again"
            )
        return self


class RecipeTable(Table):
    name: Name
    label: Label = ""
    coats: Annotated[list[Name], Field(min_length=1, max_length=99)]


class HoursTable(Table):
    days: Annotated[list[Literal["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"]], Field(min_length=1)] = Field(
        default_factory=lambda: list(WEEK)
    )
    from_: Annotated[str, AfterValidator(_clock_time)] = Field("00:00", alias="from")
    to: Annotated[str, AfterValidator(_clock_time)] = "24:00"
    dip_min: Annotated[float, above_zero(480)] = 10.0
    hands: Annotated[int, between(1, 50)] = 1

    @model_validator(mode="after")
    def _is_long_enough(self) -> "HoursTable":
        begin, end = minutes_of(self.from_), minutes_of(self.to)
        if begin < end < begin + self.dip_min:
            raise ValueError(
                f"received {self.from_} to {self.to} and dip_min {self.dip_min:g}: no dip can be done in it"
            )
        return self


class RouteTable(Table):
    kinds: list[Annotated[str, AfterValidator(_kind)]] = []
    least_severity: Literal["notice", "warning", "danger"] = "warning"


class MailServerTable(Table):
    host: Text
    sender: Annotated[Text, AfterValidator(_sender)]
    port: Port = 587
    tls: Literal["starttls", "tls", "none"] = "starttls"
    username: Text | None = None
    password_file: Text | None = None


class MailTable(RouteTable):
    to: Annotated[list[Annotated[Text, AfterValidator(_address)]], Field(min_length=1)]


class WebhookTable(RouteTable):
    url: Annotated[str, Field(pattern=r"^https?://\S+$")]
    secret_file: Text | None = None


class AppriseTable(RouteTable):
    urls_file: Text


class NotifyTable(Table):
    mail_server: MailServerTable | None = None
    mail: list[MailTable] = []
    webhook: list[WebhookTable] = []
    apprise: list[AppriseTable] = []
    daily_sign_of_life: Annotated[str, AfterValidator(_time_of_day)] | None = None
    lamp_topic: Topic | None = None

    @model_validator(mode="after")
    def _mail_has_a_server(self) -> "NotifyTable":
        if self.mail and self.mail_server is None:
            raise ValueError("received [[notify.mail]] without [notify.mail_server]; mail needs a server to go through")
        return self


class HomeFile(Table):
    """All of room.toml."""

    room: RoomTable
    broker: BrokerTable | None = None
    page: PageTable = PageTable()
    rack: list[RackTable] = []
    cell: list[CellTable] = []
    source: list[SourceTable] = []
    coat: list[CoatTable] = []
    recipe: list[RecipeTable] = []
    hours: HoursTable = HoursTable.model_validate({})
    notify: NotifyTable = NotifyTable()
