"""The running service's door for commands on this machine: it alone may write to its home."""

import getpass
import http.client
import json
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drymon.errors import DrymonError, SetupError, StoreError

if TYPE_CHECKING:
    from drymon.messages.settings import HomeConfig, Page
    from drymon.store import Store

TIMEOUT_S, LOOK_S = 30.0, 3.0

Act = Callable[["Store", Mapping[str, Any], datetime], str]
"""What a command wants done in the database, at a time; SetupError where it makes no sense."""


def ask_service(home: Path, path: str, wanted: Mapping[str, object]) -> str:
    """Have the service that holds `home` do something; its words about it.

    Raises SetupError where it makes no sense to the service, DrymonError or StoreError where it cannot be done.
    """
    from drymon.web.server import DOOR_FILE

    try:
        door = json.loads((home / DOOR_FILE).read_text(encoding="ascii"))
    except FileNotFoundError:
        raise StoreError(
            f"the home {home} is in use, and its service shows no page here: stop it first, or wait until it is "
            "up; where another machine serves the room, say it there"
        ) from None
    connection = http.client.HTTPConnection(door["host"], door["port"], timeout=TIMEOUT_S)
    headers = {"Content-Type": "application/json", "X-Drymon-Token": door["token"], "Accept": "application/json"}
    try:
        connection.request("POST", path, json.dumps(wanted), headers)
        answer = connection.getresponse()
        said = json.loads(answer.read())
    except (OSError, http.client.HTTPException, ValueError) as error:
        raise StoreError(
            f"the running service does not answer on its page ({error}): stop it, then say this again"
        ) from error
    finally:
        connection.close()
    if answer.status != 200:
        raise SetupError(said["text"]) if answer.status == 400 else DrymonError(said["text"])
    return str(said["text"])


def door_problem(home: Path, page: "Page") -> str | None:
    """Why the page at its port is not the one of this home's running service, None where it is. Whatever else has the
    port may answer as well; only a service that opened it has left its door in the home.
    """
    from drymon.web.server import DOOR_FILE, IDENT

    try:
        door = json.loads((home / DOOR_FILE).read_text(encoding="ascii"))
    except (OSError, ValueError):
        return "the running service could not open it; another program has the port"
    if door["port"] != page.port:
        return f"the running service shows its page on port {door['port']}, as room.toml had it at the start"
    connection = http.client.HTTPConnection(door["host"], door["port"], timeout=LOOK_S)
    try:
        connection.request("GET", "/")
        answer = connection.getresponse()
        if answer.getheader("Server") != IDENT:
            return "another program answers there"
        return f"it answers with an error ({answer.status})" if answer.status >= 500 else None
    except (OSError, http.client.HTTPException) as error:
        return f"no answer ({error})"
    finally:
        connection.close()


def keep(config: "HomeConfig", about: str, act: Act, wanted: Mapping[str, Any]) -> str:
    """Have `act` done in the home's database; while a service holds it, by that service. Its words about it."""
    from drymon.cli.home import wall
    from drymon.store import is_in_use, only_writer

    if is_in_use(config.database):
        return ask_service(config.path, f"/control/{about}", wanted)
    now = wall()
    with only_writer(config.database, now) as store:
        return act(store, wanted, now)


def who() -> str:
    """The name of whoever types."""
    try:
        return f"{getpass.getuser()} at the terminal"
    except (OSError, KeyError):
        return "the terminal"
