"""All rooms on one page: what is ready, what endangers shells, which sensors are silent; each leads to its own page.

What a room tells here, it tells to those who may read its own page: on this machine whoever may read there without a
password, else whoever is signed in there with this browser. Cookies go by the host and not by the port, so that the
session of a room's page is seen here, where both have the same host name.
"""

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from flask import Flask, Response, abort, render_template, request

from drymon.errors import DrymonError, SetupError
from drymon.messages.config import ROOM_FILE, load_home
from drymon.messages.home import homes_in
from drymon.messages.settings import HomeConfig, Page, Server, is_loopback, read_secret
from drymon.shop.facts.outcome import State
from drymon.shop.facts.sensor_state import SensorState
from drymon.store import Readers, Store, is_in_use, is_there
from drymon.store.server import NothingYet
from drymon.views.page.access import cookie_of, person_of
from drymon.views.page.guard import EVERYWHERE, HEADERS, host_is_ours, is_local, is_pulled_in, name_of
from drymon.views.page.room_view import look, sensors
from drymon.views.page.words import FACES, Words

log = logging.getLogger(__name__)

NOTHING_YET = "nothing has been recorded yet"


@dataclass(frozen=True, slots=True)
class Card:
    """One room. at: the address of its own page, "" where this browser cannot reach it.

    problem: why nothing is told, "" where it is; online: its service runs; counts: trees by state; ready: their names;
    dangers: what stands and endangers shells, in words; silent: names of sensors.
    """

    name: str
    at: str = ""
    problem: str = ""
    online: bool = False
    clock: str = ""
    counts: Mapping[State, int] | None = None
    ready: Sequence[str] = ()
    dangers: Sequence[str] = ()
    silent: Sequence[str] = ()


def create_rooms_app(folder: Path, page: Page, now: Callable[[], datetime], running: Callable[[], float]) -> Flask:
    """The page over all homes in `folder`; page: where it is reached; running: seconds of running time."""
    app = Flask(__name__)
    configs, readers = _Configs(), Readers(running)
    app.extensions["readers"] = readers
    app.config["SEND_FILE_MAX_AGE_DEFAULT"] = 3600
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    app.jinja_env.globals.update(FACES=FACES)

    @app.before_request
    def check() -> None:
        if not host_is_ours(request.host, page):
            abort(421, "this page does not go by that name")
        if is_pulled_in(request.headers.get("Sec-Fetch-Site"), request.headers.get("Sec-Fetch-Mode")):
            abort(403, "a page elsewhere asked for this as a part of itself")

    @app.after_request
    def dress(answer: Response) -> Response:
        for name, value in HEADERS.items():
            answer.headers.setdefault(name, value)
        return answer

    @app.get("/")
    def rooms() -> Any:
        cards = [_card(home, configs, readers, now()) for home in homes_in(folder)]
        return render_template("rooms.html", cards=cards), 200, {"Cache-Control": "no-store"}

    return app


class _Configs:
    """The homes' configurations, each read anew where its file has changed."""

    def __init__(self) -> None:
        self._read: dict[Path, tuple[tuple[int, int], HomeConfig]] = {}

    def of(self, home: Path) -> HomeConfig:
        """SetupError where it cannot be used."""
        try:
            about = (home / ROOM_FILE).stat()
        except OSError:
            return load_home(home, secrets=False)  # which tells what is wrong
        stamp = about.st_mtime_ns, about.st_size
        if self._read.get(home, (None,))[0] != stamp:
            self._read[home] = stamp, load_home(home, secrets=False)
        return self._read[home][1]


def _card(home: Path, configs: _Configs, readers: Readers, now: datetime) -> Card:
    try:
        config = configs.of(home)
    except SetupError as error:
        log.warning("%s", error)
        return Card(home.name, problem=f"its {ROOM_FILE} cannot be used: drymon check tells why")
    name, at = config.room.label or config.room.name, _address(config.page)
    try:
        if isinstance(config.database, Path) and not is_there(config.database):
            return Card(name, at, NOTHING_YET)
        with readers.reading(config.database) as store:
            if not _may_read(config, store, now):
                return Card(
                    name, at, "sign in at its own page first" if at else "its page is for its own machine alone"
                )
            return _told(config, store, name, at, now)
    except NothingYet:
        return Card(name, at, NOTHING_YET)
    except DrymonError as error:
        log.warning("%s: %s", home, error)
        return Card(name, at, "its record cannot be read: drymon check tells why")


def _may_read(config: HomeConfig, store: Store, now: datetime) -> bool:
    if is_loopback(config.page.host) and is_local(request.host):
        return True
    file = config.page.password_file
    cookie = request.cookies.get(cookie_of(config.room.name))
    return person_of(store, cookie, now, lambda: read_secret(file) if file is not None else None) is not None


def _told(config: HomeConfig, store: Store, name: str, at: str, now: datetime) -> Card:
    where = config.database
    held = store.is_held(where) if isinstance(where, Server) else is_in_use(where)
    online = held and store.was_served()
    view = look(store, config.room, now, online=online)
    standing = [entry for entry in store.alarm_book().standing() if entry.phase == "active"]
    heard = sensors(store, config.room, now)
    return Card(
        name,
        at,
        online=online,
        clock=Words(now, config.room.timezone).clock(),
        counts=view.counts,
        ready=[tree.called for tree in view.trees if tree.state is State.READY],
        dangers=[entry.what for entry in standing if entry.severity == "danger"],
        silent=[
            " ".join(part for part in (one.place, one.quantity, one.sensor) if part)
            for one in heard
            if one.state is SensorState.SILENT
        ],
    )


def _address(page: Page) -> str:
    """Where this browser finds a room's page: on a host of its own, else on the one that it has come to."""
    here = name_of(request.host) or ""
    if is_loopback(page.host) and not is_local(request.host):
        return ""
    host = here if is_loopback(page.host) or page.host in EVERYWHERE else page.host
    return f"http://{f'[{host}]' if ':' in host else host}:{page.port}/"
