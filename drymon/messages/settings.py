"""What room.toml sets up around the room: broker, page, foreign sensors, who is told. Plain frozen data."""

from dataclasses import dataclass, field
from datetime import time
from ipaddress import ip_address
from pathlib import Path
from typing import Literal

from drymon.drying.quantities import Quantity
from drymon.errors import SetupError
from drymon.shop.facts.outcome import Severity
from drymon.shop.facts.setup import RoomSetup

SHORTEST_PASSWORD, LONGEST_PASSWORD = 8, 200
"""Characters of a password to the page."""


@dataclass(frozen=True, slots=True)
class Broker:
    """The shop's MQTT broker. `ca_file`: TLS with the host name verified; files are absolute paths."""

    host: str = "localhost"
    port: int = 1883
    username: str | None = None
    password_file: Path | None = None
    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None

    @property
    def tls(self) -> bool:
        """Speak TLS."""
        return self.ca_file is not None


@dataclass(frozen=True, slots=True)
class Page:
    """Where the page listens. `password_file` None: reading only, on this machine only.

    names: host names by which it may be asked for besides this machine's own, in small letters.
    """

    host: str = "127.0.0.1"
    port: int = 8480
    password_file: Path | None = None
    names: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Source:
    """A sensor that publishes on a topic of its own.

    field: where in a JSON payload the number is, levels joined by dots; None: the payload is the number.
    unit: of the number, one of `units.UNITS[quantity]`. sensor: the name under which its readings are kept.
    """

    topic: str
    place: str
    quantity: Quantity
    unit: str
    sensor: str
    field: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Route:
    """Which alerts go this way. `kinds` empty: all kinds."""

    kinds: tuple[str, ...] = ()
    least_severity: Severity = "warning"


@dataclass(frozen=True, slots=True, kw_only=True)
class MailServer:
    """The SMTP server that takes our mail."""

    host: str
    sender: str
    port: int = 587
    tls: Literal["starttls", "tls", "none"] = "starttls"
    username: str | None = None
    password_file: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Mail(Route):
    """Alerts by e-mail."""

    to: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Webhook(Route):
    """Alerts posted as JSON. `secret_file`: its content signs them."""

    url: str
    secret_file: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Apprise(Route):
    """Alerts through the apprise library; `urls_file` has one of its addresses a line."""

    urls_file: Path


@dataclass(frozen=True, slots=True)
class Notify:
    """Who is told, and how.

    daily_sign_of_life: the room's time of day for a daily "all is well"; None: none is sent.
    lamp_topic: a topic that a signal lamp listens to; None: no lamp.
    """

    mail_server: MailServer | None = None
    mails: tuple[Mail, ...] = ()
    webhooks: tuple[Webhook, ...] = ()
    apprises: tuple[Apprise, ...] = ()
    daily_sign_of_life: time | None = None
    lamp_topic: str | None = None


SHORTEST_READINGS_DAYS = 32
"""A day longer than a reading may be late: a repeat of one is known by the reading itself."""


LONGEST_KEPT_DAYS = 36_500


@dataclass(frozen=True)
class Keep:
    """For how many days what is kept: readings, their roll-ups by the minute and by the hour, messages as they came."""

    readings_days: int = 90
    minutes_days: int = 730
    hours_days: int = LONGEST_KEPT_DAYS
    messages_days: int = 30


@dataclass(frozen=True, slots=True)
class Server:
    """A room's place in a database that rooms share. url: of PostgreSQL, without a password; room: its name."""

    url: str
    room: str

    def __str__(self) -> str:
        """One word, which `where_of` reads."""
        return f"{self.url}#{self.room}"


Where = Path | Server
"""Where a room's record is kept: in a file, or on a server."""

SERVER_SCHEMES = ("postgresql://", "postgres://")
DB_FILE = "drymon.db"
"""The record of a room that has no `[store]`, in its home."""


def where_of(word: str) -> Where:
    """What the word of a command line, `str` of a place, stands for."""
    url, _, room = word.rpartition("#")
    return Server(url, room) if url.startswith(SERVER_SCHEMES) else Path(word)


@dataclass(frozen=True, slots=True)
class HomeConfig:
    """All of a home's room.toml. broker None: an embedded one on this machine, for trying out.

    store_url: of the database that rooms share; None: the record is a file in the home. keep: how long what is kept.
    """

    path: Path
    room: RoomSetup
    broker: Broker | None = None
    page: Page = field(default_factory=Page)
    sources: tuple[Source, ...] = ()
    notify: Notify = field(default_factory=Notify)
    store_url: str | None = None
    keep: Keep = field(default_factory=Keep)

    @property
    def database(self) -> Where:
        """Where the room's record is kept."""
        return self.path / DB_FILE if self.store_url is None else Server(self.store_url, self.room.name)

    @property
    def secret_files(self) -> tuple[Path, ...]:
        """Every file with a password, key or secret address that room.toml names."""
        broker, server = self.broker, self.notify.mail_server
        files = [
            *([broker.password_file, broker.key_file] if broker else []),
            self.page.password_file,
            *([server.password_file] if server else []),
            *(hook.secret_file for hook in self.notify.webhooks),
            *(route.urls_file for route in self.notify.apprises),
        ]
        return tuple(dict.fromkeys(file for file in files if file is not None))


def is_loopback(host: str) -> bool:
    """The address is reached from this machine only."""
    if host == "localhost":
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False


def read_secret(path: Path) -> str:
    """The password or secret in a file, without the end of its line; SetupError where there is none."""
    try:
        secret = path.read_text(encoding="utf-8").strip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        raise SetupError(
            f"{path}: cannot be read ({error}); put the secret alone in this file, as plain text"
        ) from error
    if not secret:
        raise SetupError(f"{path}: is empty; put the secret alone in this file, as plain text")
    return secret
