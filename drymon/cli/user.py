"""`drymon user`: who may sign in to the page. Works while the service runs and while it does not."""

import getpass
import sys
from argparse import Namespace
from typing import TYPE_CHECKING

from drymon.cli.door import keep, who
from drymon.cli.parser import Commands
from drymon.errors import SetupError

if TYPE_CHECKING:
    from drymon.messages.settings import HomeConfig


def register(subparsers: Commands) -> None:
    """Say what `user` takes."""
    parser = subparsers.add_parser(
        "user",
        help="who may sign in to the page: add, remove, list, password, owner, logs",
        description="Who may sign in to the page and log from there, and who of them is an owner, who may set up the "
        "room and its people there, too. A password is asked for on the terminal, or read "
        "from the first line of stdin where that is no terminal; it is never a word of the command, for others on "
        "this machine could read it there.",
    )
    acts = parser.add_subparsers(dest="act", metavar="ACT", required=True)
    for act, what in (
        ("add", "let somebody sign in"),
        ("remove", "take somebody's access away"),
        ("password", "give somebody a new password"),
        ("owner", "let somebody set up the room from the page, too"),
        ("logs", "let somebody log alone, and not set up the room"),
    ):
        acts.add_parser(act, help=what, description=f"{what.capitalize()}.").add_argument("name", metavar="NAME")
    acts.add_parser("list", help="who may sign in", description="Who may sign in, one a line.")


def run(args: Namespace) -> int:
    """Do it and say so."""
    from drymon.cli.home import config_of
    from drymon.views.page.user_acts import change_user

    config = config_of(args)
    if args.act == "list":
        print("\n".join(_names(config)) or "nobody may sign in yet: drymon user add NAME")
        return 0
    wanted = {"act": args.act, "name": " ".join(args.name.split()), "by": who()}
    if args.act in ("add", "password"):
        from drymon.views.page.passwords import check_password, hash_password

        wanted["hash"] = hash_password(check_password(_password()))
    print(keep(config, "user", change_user, wanted))
    return 0


def _names(config: "HomeConfig") -> list[str]:
    from drymon.store import Store, is_there

    if not is_there(config.database):
        return []
    with Store.open(config.database, readonly=True) as store:
        return [f"{user.name}, owner" if user.owner else user.name for user in store.users()]


def _password() -> str:
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    first = getpass.getpass("New password: ")
    if first != getpass.getpass("The same again: "):
        raise SetupError("password: the two differ; nothing was changed")
    return first
