"""What `drymon check` looks at: each part yields findings, and none of them stops the others."""

import shutil
import socket
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from drymon.cli import calibrated
from drymon.cli.broker_check import answer_of
from drymon.cli.door import door_problem
from drymon.cli.home import record_of, service_runs, wall
from drymon.cli.status import look
from drymon.cli.usual_wait_check import usual_waits
from drymon.errors import DrymonError, SetupError, StoreError
from drymon.messages.coat_models import REMEDY, load_models, model_doubts
from drymon.messages.config import ROOM_FILE, load_home
from drymon.messages.settings import HomeConfig, Server
from drymon.readback.now import age
from drymon.readback.promises import on_record, tally_words
from drymon.service.clock import EARLIEST, SystemClock
from drymon.service.embedded import broker_of
from drymon.shop.facts.sensor_state import AS_MEASURED, SensorState
from drymon.shop.facts.value_words import value_words
from drymon.shop.tree.starting import start_of
from drymon.store import is_there
from drymon.store.backup import unfit
from drymon.store.server import about
from drymon.store.sqlite import has_wal_reset_fault, sqlite_version

LEAST_FREE, LITTLE_FREE = 0.05, 0.10

_SEE_TO = {
    "ok": "",
    **dict.fromkeys(AS_MEASURED, "check it and the other places' over a saturated salt: `drymon calibrate humidity`"),
    "": "see its power, cable, radio and place",
}
"""By a sensor's state; "" for all others."""


@dataclass(frozen=True)
class CheckLine:
    """One line of the check: `ok`, `look` or `wrong`, about what, in words, and what to do."""

    verdict: Literal["ok", "look", "wrong"]
    subject: str
    words: str
    remedy: str = ""


def examine(home: Path) -> Iterator[CheckLine]:
    """All findings on a home. Raises SetupError where the folder is no home at all."""
    try:
        config = load_home(home)
    except SetupError as error:
        if not (home / ROOM_FILE).exists():
            raise
        yield CheckLine(
            "wrong", "configuration", str(error), "correct room.toml, then check again; the rest waits for it"
        )
        return
    room = config.room
    there = (("rack", room.racks), ("coat", room.coats), ("recipe", room.recipes))
    counts = ", ".join(f"{len(some)} {what}{'' if len(some) == 1 else 's'}" for what, some in there)
    yield CheckLine("ok", "configuration", f"room {room.name}: {counts}, time zone {room.timezone}")
    running = _running(config)
    yield _service(config, running)
    yield _broker(config, running)
    yield from _secrets(config)
    yield from _database(config)
    yield from _sensors(config, running)
    yield from _calibrations(config)
    yield from _models(config)
    yield from _promises(config)
    yield _page(config, running)
    yield _clock()


def _running(config: HomeConfig) -> bool:
    try:
        with record_of(config) as record:
            return service_runs(config, record)
    except DrymonError:
        return False


def _service(config: HomeConfig, running: bool) -> CheckLine:
    if running:
        return CheckLine("ok", "service", "running")
    return CheckLine("look", "service", "not running", f"start it: drymon serve --home {config.path}")


def _broker(config: HomeConfig, running: bool) -> CheckLine:
    if config.broker is None and not running:
        words = "none in room.toml: the service would start an embedded one, for trying out only"
        return CheckLine("look", "broker", words, "for a shop install mosquitto and name it under [broker]")
    try:
        broker = broker_of(config)
        problem = answer_of(broker)
    except DrymonError as error:
        return CheckLine("wrong", "broker", str(error), "see [broker] in room.toml")
    where = f"{broker.host}:{broker.port}" + (" with TLS" if broker.tls else "")
    if problem:
        return CheckLine(
            "wrong", "broker", f"{where}: {problem}", "is it running, and do [broker] and its password fit?"
        )
    if config.broker is None:
        return CheckLine("look", "broker", f"embedded at {where}", "for trying out only; a shop runs mosquitto")
    return CheckLine("ok", "broker", f"{where} answers and lets us in")


def _secrets(config: HomeConfig) -> Iterator[CheckLine]:
    """A password that everybody on this machine can read is nobody's."""
    for file in config.secret_files:
        if _open_to_all(file):
            yield CheckLine(
                "wrong", "passwords", f"{file} can be read by everybody on this machine", f"chmod o= {file}"
            )


def _open_to_all(file: Path) -> bool:
    """Whether others may read it, and reach it: a folder that lets nobody in keeps what is in it."""
    try:
        file = file.resolve()
        return bool(file.stat().st_mode & 0o004) and all(folder.stat().st_mode & 0o001 for folder in file.parents)
    except OSError:
        return False


def _database(config: HomeConfig) -> Iterator[CheckLine]:
    where = config.database
    yield from _on_server(where) if isinstance(where, Server) else _in_file(where)
    usage = shutil.disk_usage(config.path)
    free = f"{usage.free / 1e9:.1f} GB free of {usage.total / 1e9:.0f} GB"
    if usage.free < LEAST_FREE * usage.total:
        yield CheckLine("wrong", "disk", free, "make room: move old backups and pictures away")
    elif usage.free < LITTLE_FREE * usage.total:
        yield CheckLine("look", "disk", free, "make room soon")
    else:
        yield CheckLine("ok", "disk", free)


def _on_server(server: Server) -> Iterator[CheckLine]:
    try:
        told = about(server)
    except StoreError as error:
        yield CheckLine("wrong", "database", str(error), "see [store] in room.toml and the server; then check again")
        return
    size = "no tables of this room yet" if told.size is None else f"{told.size / 1e6:.1f} MB of this room"
    yield CheckLine("ok", "database", f"PostgreSQL {told.version} at {server.url}: {size}")
    if not told.durable:
        words = "the server has fsync off: the loss of its power may destroy the database"
        yield CheckLine("wrong", "database", words, "set fsync = on in its postgresql.conf")


def _in_file(path: Path) -> Iterator[CheckLine]:
    if not path.exists():
        yield CheckLine("ok", "database", "none yet: the service makes it when it first starts")
    elif problem := unfit(path):
        yield CheckLine("wrong", "database", problem, "stop the service, then `drymon restore` the last good backup")
    else:
        yield CheckLine("ok", "database", f"sound, {path.stat().st_size / 1e6:.1f} MB")
    if has_wal_reset_fault():
        words = "safe as long as drymon alone writes to it: never open drymon.db for writing with another program"
        yield CheckLine("ok", "database", f"{words} (SQLite {sqlite_version()})")


def _sensors(config: HomeConfig, running: bool) -> Iterator[CheckLine]:
    try:
        if not is_there(config.database):
            remedy = "let a sensor publish to drymon/<room>/<rack>/<quantity>"
            yield CheckLine("look", "sensors", "none heard yet", remedy)
            return
        now = look(config, wall())
    except DrymonError as error:
        yield CheckLine("wrong", "sensors", f"the database does not tell: {error}")
        return
    for sensor in now.sensors if running else ():
        name = " ".join(part for part in (sensor.place, sensor.quantity, sensor.sensor) if part)
        last = (
            f"{name}: {sensor.state}, last {value_words(sensor.value, sensor.unit)} {age(now.time - sensor.time)} ago"
        )
        yield CheckLine(
            "ok" if sensor.state is SensorState.OK else "wrong", "sensor", last, _SEE_TO.get(sensor.state, _SEE_TO[""])
        )
    if not running:
        yield CheckLine("look", "sensors", f"{len(now.sensors)} known; the service hears none of them now")
    if now.refused_count:
        last_refused = f"; the latest: {now.refused[0].topic}: {now.refused[0].reason}" if now.refused else ""
        yield CheckLine("look", "messages", f"{now.refused_count} were not understood{last_refused}")


def _calibrations(config: HomeConfig) -> Iterator[CheckLine]:
    """Those that are due again; a sensor that was never calibrated is no fault."""
    try:
        holding = calibrated.holding(config)
    except DrymonError:
        return  # what the database says of itself is told above
    for kept in holding:
        when = calibrated.due(kept)
        if when is not None and when < wall().date():
            words = f"{kept.sensor}: overdue since {when}, last done {kept.time:%Y-%m-%d}; it counts on as found then"
            yield CheckLine("look", "calibration", words, calibrated.again(kept))


def _models(config: HomeConfig) -> Iterator[CheckLine]:
    models = load_models(config.path)
    for told in model_doubts(config.path).values():
        yield CheckLine("wrong", "models", told.replace(f"; {REMEDY}", ""), f"{REMEDY}; then start drymon again")
    used = [model for coat in config.room.coats if (model := start_of(coat, models)) is not None]
    starting = [model.name for model in used if model.is_starting_model]
    if starting:
        unsaid = any(coat.family != "seal" and coat.usual_wait_h is None for coat in config.room.coats)
        first = "say your usual_wait_h in room.toml; " if unsaid else ""
        remedy = f"{first}weigh some dryings, then `drymon fit`: bounds get much narrower"
        yield CheckLine("look", "models", f"starting models, wide on purpose: {', '.join(starting)}", remedy)
    for model in used:
        if model.doubt:
            remedy = (
                "its trees are held for a look; see its runs with `drymon fit --report DIR`, leave out what was none"
            )
            yield CheckLine("wrong", "models", f"{model.name}: {model.doubt}", remedy)
        elif not model.is_starting_model:
            yield CheckLine(
                "ok",
                "models",
                f"{model.name}: learned from {model.runs} weighed {'run' if model.runs == 1 else 'runs'}",
            )
    for verdict, words, what in usual_waits(config.room, models):
        yield CheckLine(verdict, "usual wait", words, what)


def _promises(config: HomeConfig) -> Iterator[CheckLine]:
    """Whether "surely by" was kept so far; nothing where nothing was told yet."""
    try:
        if not is_there(config.database):
            return
        with record_of(config) as record:
            tally = on_record(record)
    except DrymonError:
        return  # what the database says of itself is told above
    if tally.promises:
        remedy = "steady the air (fans on, doors shut), weigh trees to the end; `drymon fit --report DIR` tells each"
        often = tally.too_often
        yield CheckLine("look" if often else "ok", "surely by", tally_words(tally), remedy if often else "")


def _page(config: HomeConfig, running: bool) -> CheckLine:
    host, port = config.page.host, config.page.port
    where = f"http://{host}:{port}/" + ("" if config.page.password_file else ", reading only")
    if running:
        problem = door_problem(config.path, config.page)
        remedy = f"stop whatever else has port {port}, or set another port in [page]; then start drymon again"
        return CheckLine("wrong", "page", f"{where}: {problem}", remedy) if problem else CheckLine("ok", "page", where)
    try:
        with socket.create_server((host, port)):
            return CheckLine("ok", "page", f"{where}: the port is free")
    except OSError as error:
        return CheckLine(
            "wrong", "page", f"{where}: {error}", "stop the program that has the port, or set another in [page]"
        )


def _clock() -> CheckLine:
    clock = SystemClock()
    now = f"{clock.wall():%Y-%m-%d %H:%M} UTC"
    if clock.wall() < EARLIEST:
        return CheckLine("wrong", "clock", now, "set the clock, or let a time server do it")
    if not clock.synchronised():
        return CheckLine("look", "clock", f"{now}, kept by no time server", "enable one: timedatectl set-ntp true")
    return CheckLine("ok", "clock", f"{now}, kept by a time server")
