"""The running service's door for commands on this machine: it alone may write to its home."""

import getpass
import http.client
import json
from collections.abc import Mapping
from pathlib import Path

from drymon.errors import DrymonError, SetupError, StoreError

TIMEOUT_S = 30.0


def ask_service(home: Path, path: str, wanted: Mapping[str, object]) -> str:
    """Have the service that holds `home` do something; its words about it.

    Raises SetupError where it makes no sense to the service, DrymonError or StoreError where it cannot be done.
    """
    from drymon.cli.page_server import DOOR_FILE

    try:
        door = json.loads((home / DOOR_FILE).read_text(encoding="ascii"))
    except FileNotFoundError:
        raise StoreError(
            f"the home {home} is in use, and its service shows no page: stop it first, or wait until it is up"
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


def who() -> str:
    """The name of whoever types."""
    try:
        return f"{getpass.getuser()} at the terminal"
    except (OSError, KeyError):
        return "the terminal"
