"""`drymon user`: who may sign in to the page. Works while the service runs and while it does not."""

import getpass
import http.client
import json
import sys
from argparse import Namespace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drymon.errors import DrymonError, SetupError, StoreError

if TYPE_CHECKING:
    from drymon.messages.settings import HomeConfig

TIMEOUT_S = 30.0


def register(subparsers: Any) -> None:
    """Say what `user` takes."""
    parser = subparsers.add_parser(
        "user",
        help="who may sign in to the page: add, remove, list, password",
        description="Who may sign in to the page and log from there. A password is asked for on the terminal, or read "
        "from the first line of stdin where that is no terminal; it is never a word of the command, for others on "
        "this machine could read it there.",
    )
    acts = parser.add_subparsers(dest="act", metavar="ACT", required=True)
    for act, what in (
        ("add", "let somebody sign in"),
        ("remove", "take somebody's access away"),
        ("password", "give somebody a new password"),
    ):
        acts.add_parser(act, help=what, description=f"{what.capitalize()}.").add_argument("name", metavar="NAME")
    acts.add_parser("list", help="who may sign in", description="Who may sign in, one a line.")


def run(args: Namespace) -> int:
    """Do it and say so."""
    from drymon.cli.home import config_of

    config = config_of(args)
    if args.act == "list":
        print("\n".join(_names(config)) or "nobody may sign in yet: drymon user add NAME")
        return 0
    wanted = {"act": args.act, "name": " ".join(args.name.split()), "by": _who()}
    if args.act != "remove":
        from drymon.views.page.passwords import check_password, hash_password

        wanted["hash"] = hash_password(check_password(_password()))
    print(_change(config, wanted))
    return 0


def _names(config: "HomeConfig") -> list[str]:
    from drymon.cli.home import DATABASE
    from drymon.store import Store

    path = config.path / DATABASE
    if not path.exists():
        return []
    with Store.open(path, readonly=True) as store:
        return [user.name for user in store.users()]


def _change(config: "HomeConfig", wanted: dict[str, str]) -> str:
    """In the database; while a service holds it, by way of the service's page."""
    from drymon.cli.home import DATABASE, wall
    from drymon.store import HomeLock, Store, is_held
    from drymon.views.page.user_acts import change_user

    if is_held(config.path):
        return _ask_service(config.path, wanted)
    now = wall()
    with HomeLock(config.path), Store.open(config.path / DATABASE, now=now) as store:
        return change_user(store, wanted, now)


def _ask_service(home: Path, wanted: dict[str, str]) -> str:
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
        connection.request("POST", "/control/user", json.dumps(wanted), headers)
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


def _password() -> str:
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    first = getpass.getpass("New password: ")
    if first != getpass.getpass("The same again: "):
        raise SetupError("password: the two differ; nothing was changed")
    return first


def _who() -> str:
    try:
        return f"{getpass.getuser()} at the terminal"
    except (OSError, KeyError):
        return "the terminal"
