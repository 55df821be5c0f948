"""Adding and removing people, with a line in the audit trail: in the service's thread, or by a command while none
runs."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from drymon.errors import SetupError
from drymon.store import Store
from drymon.views.page.access import PERSON, PERSON_RULE, user_alike

ACTS = ("add", "remove", "password", "owner", "logs")
"""`owner`: may set up the room, too; `logs`: may log, acknowledge and shelve alone."""


def change_user(store: Store, wanted: Mapping[str, Any], now: datetime) -> str:
    """Do what a `drymon user` command asks: `act`, `name`, `hash` (never a password), `by`. Says what was done.

    Raises SetupError that says what was received and what is allowed.
    """
    act, name, by = (str(wanted.get(key, "")) for key in ("act", "name", "by"))
    if act not in ACTS or not PERSON.match(name):
        raise SetupError(f"user: received {act!r} of {name[:60]!r}; allowed are {', '.join(ACTS)} and {PERSON_RULE}")
    twin = user_alike(store, name)
    if act == "add" and twin is not None:
        change = f"drymon user password '{twin.name}'"
        raise SetupError(f"user: received {name!r}; {twin.name!r} is a user already; change it with: {change}")
    if act != "add" and twin is None:
        names = ", ".join(user.name for user in store.users()) or "nobody yet"
        raise SetupError(f"user: received {name!r}; users are: {names}")
    name = twin.name if twin else name  # as it was given, however it is typed now
    with store.transaction():
        if act in ("owner", "logs"):
            store.set_owner(name, act == "owner")
        elif act == "remove":
            store.remove_user(name)
        else:
            store.save_user(name, str(wanted["hash"]), now)
        store.add_audit(now, by, f"user {act}", name)
    return f"{name} {DONE[act]}"


DONE = {
    "add": "may sign in",
    "remove": "may not sign in any more",
    "password": "has a new password; open sessions have ended",
    "owner": "may set up the room from the page",
    "logs": "may log, and may not set up the room any more",
}


def last_owner(store: Store, name: str) -> bool:
    """Whether nobody but this user may set up the room: the page keeps that one."""
    return [user.name for user in store.users() if user.owner] == [name]
