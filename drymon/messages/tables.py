"""The tables of room.toml as pydantic models; `config` looks across tables."""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from drymon.drying.quantities import Quantity
from drymon.messages.fields import (
    LONGEST_USUAL_H,
    WEEK,
    Address,
    AirflowBand,
    AirflowRange,
    Ascending,
    ClockTime,
    CupName,
    DensityBand,
    HostName,
    Hours,
    HumidityBand,
    Kind,
    Label,
    Mesh,
    Name,
    Pair,
    PhBand,
    Port,
    RackName,
    SecondsBand,
    Sender,
    Share,
    StoreUrl,
    TemperatureBand,
    Text,
    TimeOfDay,
    TimeZone,
    Topic,
    above_zero,
    between,
    minutes_of,
)
from drymon.messages.settings import LONGEST_KEPT_DAYS, SHORTEST_READINGS_DAYS, Keep


class StrictTable(BaseModel):
    """Strict: a number in quotes is no number, an unknown key is refused."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


class RoomTable(StrictTable):
    name: Name
    label: Label = ""
    timezone: TimeZone = "UTC"
    altitude_m: Annotated[float, between(-430, 9000)] = 0.0
    stale_after_min: Annotated[float, above_zero(1440)] = 10.0
    edges: Literal["even", "usual", "thick"] = "usual"


class BrokerTable(StrictTable):
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


class PageTable(StrictTable):
    host: Text = "127.0.0.1"
    port: Port = 8480
    password_file: Text | None = None
    names: list[HostName] = []


class StoreTable(StrictTable):
    url: StoreUrl | None = None
    keep_readings_days: Annotated[int, between(SHORTEST_READINGS_DAYS, LONGEST_KEPT_DAYS)] = Keep.readings_days
    keep_minutes_days: Annotated[int, between(SHORTEST_READINGS_DAYS, LONGEST_KEPT_DAYS)] = Keep.minutes_days
    keep_hours_days: Annotated[int, between(SHORTEST_READINGS_DAYS, LONGEST_KEPT_DAYS)] = Keep.hours_days
    keep_messages_days: Annotated[int, between(1, LONGEST_KEPT_DAYS)] = Keep.messages_days

    @model_validator(mode="after")
    def _coarser_stays_longer(self) -> "StoreTable":
        if not self.keep_readings_days <= self.keep_minutes_days <= self.keep_hours_days:
            raise ValueError(
                f"received keep_readings_days {self.keep_readings_days}, keep_minutes_days {self.keep_minutes_days}, "
                f"keep_hours_days {self.keep_hours_days}; allowed is minutes as long as readings or longer, and hours "
                "as long as minutes or longer, for each is made of the one before"
            )
        return self


class RackTable(StrictTable):
    name: RackName
    label: Label = ""
    air: Annotated[list[Name], Field(min_length=1)] | None = None
    airflow_assumed: AirflowRange = [0.3, 2.0]


class CellTable(StrictTable):
    name: Name
    rack: Name
    label: Label = ""


class SourceTable(StrictTable):
    topic: Topic
    place: Name
    quantity: Annotated[Quantity, Field(strict=False)]
    unit: str | None = None
    field: Text | None = None
    sensor: Name | None = None
    label: Label = ""


class BandTable(StrictTable):
    temperature_c: TemperatureBand | None = None
    humidity_pct: HumidityBand | None = None
    airflow_m_per_s: AirflowBand | None = None
    co2_ppm: Annotated[list[Annotated[float, between(0, 10_000)]], Pair, Ascending] | None = None
    swing_c: Annotated[float, above_zero(30)] | None = None


class CoatTable(StrictTable):
    name: Name
    family: Literal["prime", "backup", "seal"]
    label: Label = ""
    stucco_mesh: Annotated[list[Mesh], Field(max_length=2)] | None = None
    dry_at: Share = 0.95
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


class RecipeTable(StrictTable):
    name: Name
    label: Label = ""
    coats: Annotated[list[Name], Field(min_length=1, max_length=99)]


class SlurryTable(StrictTable):
    name: Name
    coats: Annotated[list[Name], Field(min_length=1, max_length=99)]
    label: Label = ""
    cup: CupName | None = None
    seconds: SecondsBand | None = None
    temperature: TemperatureBand | None = None
    density: DensityBand | None = None
    ph: PhBand | None = None
    surface_m2: Annotated[float, above_zero(20)] | None = None
    volume_l: Annotated[float, above_zero(20_000)] | None = None

    @model_validator(mode="after")
    def _seconds_are_of_a_cup(self) -> "SlurryTable":
        if self.seconds is not None and self.cup is None:
            raise ValueError("received seconds without cup; seconds of different cups are not to be compared: name it")
        return self


class HoursTable(StrictTable):
    days: Annotated[list[Literal["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"]], Field(min_length=1)] = Field(
        default_factory=lambda: list(WEEK)
    )
    from_: ClockTime = Field("00:00", alias="from")
    to: ClockTime = "24:00"
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


class RouteTable(StrictTable):
    kinds: list[Kind] = []
    least_severity: Literal["notice", "warning", "danger"] = "warning"


class MailServerTable(StrictTable):
    host: Text
    sender: Sender
    port: Port = 587
    tls: Literal["starttls", "tls", "none"] = "starttls"
    username: Text | None = None
    password_file: Text | None = None


class MailTable(RouteTable):
    to: Annotated[list[Address], Field(min_length=1)]


class WebhookTable(RouteTable):
    url: Annotated[str, Field(pattern=r"^https?://\S+$")]
    secret_file: Text | None = None


class AppriseTable(RouteTable):
    urls_file: Text


class NotifyTable(StrictTable):
    mail_server: MailServerTable | None = None
    mail: list[MailTable] = []
    webhook: list[WebhookTable] = []
    apprise: list[AppriseTable] = []
    daily_sign_of_life: TimeOfDay | None = None
    lamp_topic: Topic | None = None

    @model_validator(mode="after")
    def _mail_has_a_server(self) -> "NotifyTable":
        if self.mail and self.mail_server is None:
            raise ValueError("received [[notify.mail]] without [notify.mail_server]; mail needs a server to go through")
        return self


class HomeFile(StrictTable):
    """All of room.toml."""

    room: RoomTable
    broker: BrokerTable | None = None
    page: PageTable = PageTable()
    store: StoreTable = StoreTable()
    rack: list[RackTable] = []
    cell: list[CellTable] = []
    source: list[SourceTable] = []
    coat: list[CoatTable] = []
    recipe: list[RecipeTable] = []
    slurry: list[SlurryTable] = []
    hours: HoursTable = HoursTable.model_validate({})
    notify: NotifyTable = NotifyTable()
