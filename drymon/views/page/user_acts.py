"""Adding and removing people, with a line in the audit trail: in the service's thread, or by a command while none
runs."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from drymon.errors import SetupError
from drymon.store import Store
from drymon.views.page.access import PERSON, PERSON_RULE, user_alike

ACTS = ("add", "remove", "password")


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
        if act == "remove":
            store.remove_user(name)
        else:
            store.save_user(name, str(wanted["hash"]), now)
        store.add_audit(now, by, f"user {act}", name)
    return {"add": f"{name} may sign in", "remove": f"{name} may not sign in any more"}.get(
        act, f"{name} has a new password; open sessions have ended"
    )
