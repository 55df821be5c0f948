"""room.toml to a frozen `HomeConfig`: read, checked across tables, or refused with all its faults at once."""

import tomllib
from collections.abc import Callable, Iterable, Iterator
from datetime import time
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from drymon.drying.quantities import LIMITS, Quantity
from drymon.errors import SetupError
from drymon.messages import tables
from drymon.messages.complaints import as_written, complaints
from drymon.messages.fields import WEEK, minutes_of
from drymon.messages.names import ROOM_PLACE, is_name
from drymon.messages.settings import (
    LONGEST_PASSWORD,
    SHORTEST_PASSWORD,
    Apprise,
    Broker,
    HomeConfig,
    Keep,
    Mail,
    MailServer,
    Notify,
    Page,
    Source,
    Webhook,
    is_loopback,
    read_secret,
)
from drymon.messages.topics import room_prefix
from drymon.messages.units import unit_problem
from drymon.shop.facts.setup import Band, Cell, CoatType, Hours, Rack, Recipe, RoomSetup, Tank

__all__ = [
    "Apprise",
    "Broker",
    "HomeConfig",
    "Mail",
    "MailServer",
    "Notify",
    "Page",
    "Source",
    "Webhook",
    "is_loopback",
    "load_home",
    "parse_home",
    "read_secret",
]

ROOM_FILE = "room.toml"

T = TypeVar("T")


def load_home(home: Path, *, secrets: bool = True) -> HomeConfig:
    """The configuration of a home folder; SetupError tells all that is wrong with it, or how to make one.

    secrets False: password files need not be there, so that a backup, which has none, can be looked into.
    """
    file = home / ROOM_FILE
    try:
        text = file.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise SetupError(
            f"{home}: no {ROOM_FILE} in this folder, so it is no home of drymon; "
            f"make one with: drymon init --home {home}  (or name another with --home or $DRYMON_HOME)"
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise SetupError(f"{file}: cannot be read as UTF-8 text ({error})") from error
    return parse_home(text, home, secrets=secrets)


def parse_home(text: str, home: Path, *, secrets: bool = True) -> HomeConfig:
    """A configuration from the text of room.toml; files it names are relative to `home`."""
    content, problems = _judged(text, home if secrets else None)
    if content is None or problems:
        raise SetupError("\n".join(f"{home / ROOM_FILE}: {problem}" for problem in problems))
    return _build(content, home)


def problems_of(text: str, home: Path) -> list[str]:
    """All that is wrong with a text that is to become room.toml: `key: what was received; what is allowed`, each."""
    return _judged(text, home)[1]


def _judged(text: str, home: Path | None) -> tuple[tables.HomeFile | None, list[str]]:
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        return None, [f"is no valid TOML: {error}"]
    try:
        content = tables.HomeFile.model_validate(data)
    except ValidationError as error:
        return None, complaints(error, tables.HomeFile, data)
    return content, list(_across(content, home))


def _across(content: tables.HomeFile, home: Path | None) -> Iterator[str]:
    """What is wrong between tables, and, with a home, about the files that it must have."""
    for table in ("rack", "cell", "coat", "recipe", "slurry"):
        yield from _twice(f"{table}[{{}}].name", [entry.name for entry in getattr(content, table)])
    racks = [rack.name for rack in content.rack]
    places = [*racks, ROOM_PLACE]
    for number, rack in enumerate(content.rack, 1):
        for place in rack.air or []:
            yield from _known(f"rack[{number}].air", place, places, "racks and room")
    for number, cell in enumerate(content.cell, 1):
        yield from _known(f"cell[{number}].rack", cell.rack, racks, "racks")
    coats = [coat.name for coat in content.coat]
    for table in ("recipe", "slurry"):
        for number, entry in enumerate(getattr(content, table), 1):
            for coat in dict.fromkeys(entry.coats):
                yield from _known(f"{table}[{number}].coats", coat, coats, "coats")
    yield from _sources(content, places)
    yield from _page(content.page, home)


def _twice(key: str, values: list[Any]) -> Iterator[str]:
    for number, value in enumerate(values, 1):
        if value in values[: number - 1]:
            yield f"{key.format(number)}: received {as_written(value)} twice; allowed is each only once"


def _known(key: str, name: str, names: list[str], what: str) -> Iterator[str]:
    if len(set(names)) < len(names):
        return  # told as a name given twice: one of them was to be another, this one perhaps
    if name not in names:
        known = ", ".join(names) or "none yet"
        yield f"{key}: received {as_written(name)}; allowed are the {what} of this file: {known}"


def _sources(content: tables.HomeFile, places: list[str]) -> Iterator[str]:
    own = room_prefix(content.room.name)
    for number, source in enumerate(content.source, 1):
        key = f"source[{number}]"
        yield from _known(f"{key}.place", source.place, places, "racks and room")
        if source.topic.startswith(own):
            yield (
                f"{key}.topic: received {as_written(source.topic)}; allowed is a topic outside {own}, "
                "which is understood without a [[source]]"
            )
        if source.unit is not None and (problem := unit_problem(source.quantity, source.unit)):
            yield f"{key}.{problem}"
        if source.quantity is Quantity.WEIGHT and source.sensor is None:
            yield f"{key}.sensor: is missing; for a weight it is required: the name of the [[cell]]"
    names = [[s.place, s.quantity.value, _sensor_name(s)] for s in content.source]
    yield from _twice("source[{}].sensor (place, quantity, sensor)", names)


def _page(page: tables.PageTable, home: Path | None) -> Iterator[str]:
    """Whoever can reach the page from the network can log dips: so never without a password, and a fit one."""
    if page.password_file is None and not is_loopback(page.host):
        yield (
            f"page.host: received {as_written(page.host)} without page.password_file; others on the network "
            "reach the page there: write a password into a file in this folder and name it as "
            'password_file, or set host = "127.0.0.1"'
        )
    if page.password_file is not None and home is not None:
        yield from _password(page.password_file, home, required=not is_loopback(page.host))


def _password(name: str, home: Path, *, required: bool) -> Iterator[str]:
    key = f"page.password_file: received {as_written(name)}"
    if not (home / name).is_file():
        if required:
            yield f"{key}; there is no such file in {home}: write the page's password into it"
        return
    try:
        length = len((home / name).read_text(encoding="utf-8").strip())
    except (OSError, UnicodeDecodeError) as error:
        yield f"{key}; it cannot be read ({error}): write the page's password alone into it, as plain text"
        return
    if not SHORTEST_PASSWORD <= length <= LONGEST_PASSWORD:
        yield (
            f"{key}, which holds {length} characters; allowed are {SHORTEST_PASSWORD} to {LONGEST_PASSWORD}: write "
            "the page's password alone into it, a few words in a row"
        )


def _sensor_name(source: tables.SourceTable) -> str:
    """Its own, else made from the topic, so that two thermometers at one place are never taken for one."""
    if source.sensor is not None:
        return source.sensor
    name = "".join(letter if is_name(letter) else "-" for letter in source.topic.lower())
    return name.strip("-")[-40:].strip("-") or "source"


def _build(content: tables.HomeFile, home: Path) -> HomeConfig:
    return HomeConfig(
        path=home,
        room=_room(content),
        broker=_broker(content.broker, home) if content.broker else None,
        page=_page_settings(content.page, home),
        sources=tuple(
            Source(s.topic, s.place, s.quantity, s.unit or LIMITS[s.quantity].unit, _sensor_name(s), s.field)
            for s in content.source
        ),
        notify=_notify(content.notify, home),
        store_url=content.store.url,
        keep=_keep(content.store),
    )


def _keep(store: tables.StoreTable) -> Keep:
    return Keep(store.keep_readings_days, store.keep_minutes_days, store.keep_hours_days, store.keep_messages_days)


def _page_settings(page: tables.PageTable, home: Path) -> Page:
    names = tuple(name.casefold() for name in page.names)
    return Page(page.host, page.port, _file(page.password_file, home), names)


def _room(content: tables.HomeFile) -> RoomSetup:
    return RoomSetup(
        **content.room.model_dump(),
        racks=tuple(_rack(rack) for rack in content.rack),
        cells=tuple(Cell(cell.name, cell.rack, cell.label) for cell in content.cell),
        coats=tuple(_coat(coat) for coat in content.coat),
        recipes=tuple(Recipe(recipe.name, tuple(recipe.coats), recipe.label) for recipe in content.recipe),
        tanks=tuple(_tank(slurry) for slurry in content.slurry),
        hours=_hours(content.hours),
    )


def _hours(hours: tables.HoursTable) -> Hours:
    days = tuple(sorted({WEEK.index(day) for day in hours.days}))
    return Hours(days, minutes_of(hours.from_), minutes_of(hours.to), hours.dip_min, hours.hands)


def _rack(rack: tables.RackTable) -> Rack:
    air = rack.air if rack.air is not None else [rack.name, ROOM_PLACE]
    low, high = rack.airflow_assumed
    return Rack(rack.name, rack.label, tuple(air), (low, high))


def _coat(coat: tables.CoatTable) -> CoatType:
    plain = coat.model_dump(exclude={"stucco_mesh", "room"})
    mesh = None if coat.stucco_mesh is None else tuple(sorted(coat.stucco_mesh))
    return CoatType(**plain, stucco_mesh=mesh, room=_band(coat.room))


def _tank(slurry: tables.SlurryTable) -> Tank:
    """What is a list in the file is a tuple in a frozen setup."""
    plain: dict[str, Any] = {
        key: tuple(value) if isinstance(value, list) else value for key, value in slurry.model_dump().items()
    }
    return Tank(**plain)


def _band(band: tables.BandTable) -> Band:
    pairs = {key: _pair(pair) for key, pair in band.model_dump(exclude={"swing_c"}).items()}
    return Band(**pairs, swing_c=band.swing_c)


def _pair(numbers: list[float] | None) -> tuple[float, float] | None:
    return None if numbers is None else (numbers[0], numbers[1])


def _file(name: str | None, home: Path) -> Path | None:
    return None if name is None else home / name


def _broker(broker: tables.BrokerTable, home: Path) -> Broker:
    files = {key: _file(getattr(broker, key), home) for key in ("password_file", "ca_file", "cert_file", "key_file")}
    port = broker.port or (8883 if broker.ca_file else 1883)
    return Broker(broker.host, port, broker.username, **files)


def _notify(notify: tables.NotifyTable, home: Path) -> Notify:
    server = notify.mail_server
    at = notify.daily_sign_of_life
    return Notify(
        mail_server=_with_files(MailServer, server, home, "password_file") if server else None,
        mails=_routes(Mail, notify.mail, home),
        webhooks=_routes(Webhook, notify.webhook, home, "secret_file"),
        apprises=_routes(Apprise, notify.apprise, home, "urls_file"),
        daily_sign_of_life=time.fromisoformat(at) if at else None,
        lamp_topic=notify.lamp_topic,
    )


def _routes(
    kind: Callable[..., T], entries: Iterable[tables.StrictTable], home: Path, file_key: str = ""
) -> tuple[T, ...]:
    return tuple(_with_files(kind, entry, home, file_key) for entry in entries)


def _with_files(kind: Callable[..., T], table: tables.StrictTable, home: Path, file_key: str) -> T:
    values: dict[str, Any] = {
        key: tuple(value) if isinstance(value, list) else value for key, value in table.model_dump().items()
    }
    if values.get(file_key) is not None:
        values[file_key] = home / values[file_key]
    return kind(**values)
