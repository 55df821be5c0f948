"""Who may read, who may change: sessions, sign-in, and what proves that a form came from our own page."""

import hashlib
import hmac
import re
import secrets
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from ipaddress import ip_address, ip_network

from drymon.errors import DrymonError
from drymon.messages.settings import is_loopback
from drymon.store import Session, Store, User
from drymon.views.page.guard import is_local
from drymon.views.page.passwords import NOBODY, Brake, hash_password, is_password, must_be_renewed
from drymon.views.page.ports import Ports

LASTS = timedelta(days=30)  # wet gloves do not type passwords every morning
PERSON = re.compile(r"[^\W_](?:[\w .'-]{0,38}[\w.])?\Z")
PERSON_RULE = "1 to 40 letters, digits, spaces and . ' -, beginning with a letter or digit"


def cookie_of(room: str) -> str:
    """The name of a room's session: cookies go by the host alone, and one host may show several rooms."""
    return f"drymon-session-{room}"


class SignInRefused(DrymonError, PermissionError):
    """Wrong name or password, or too many tries. `wait_s`: until the next try is let in."""

    def __init__(self, text: str, wait_s: int = 0) -> None:
        super().__init__(text)
        self.wait_s = wait_s


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody signed in. `csrf`: what the forms of this session carry; `key`: names the session inside; `owner`: may
    set up the room.
    """

    name: str
    csrf: str
    key: str
    owner: bool = False


class Access:
    """Sign-in and sessions. A registered name needs its own password; any other name the page's password file."""

    def __init__(self, ports: Ports) -> None:
        self._ports = ports
        self._brake = Brake(ports.running)

    def open_to_read(self, host: str) -> bool:
        """On loopback only this machine reaches the page, so reading needs no password; nor by its names from outside,
        behind which a proxy stands."""
        return is_loopback(self._ports.config.page.host) and is_local(host)

    def can_sign_in(self, store: Store) -> bool:
        """Whether there is any credential at all."""
        return self._ports.secret() is not None or bool(store.users())

    def person(self, store: Store, session_id: str | None) -> Person | None:
        """As `person_of`, now and here."""
        return person_of(store, session_id, self._ports.now(), self._ports.secret)

    def sign_in(self, store: Store, name: str, password: str, address: str) -> str:
        """A new session's id; SignInRefused, and a line in the audit trail, where the password is wrong."""
        keys = (f"from {_network(address)}", f"name {name.casefold()}")
        if wait := self._brake.wait_s(*keys):
            raise SignInRefused(f"too many wrong passwords; the next try is let in after {wait} s", wait)
        if not PERSON.match(name):
            raise SignInRefused(f"name: received {name[:60]!r}; allowed are {PERSON_RULE}")
        user = user_alike(store, name)
        if not self._knows(user, password):
            self._brake.failed(*keys)
            self._note(name, "sign-in refused", f"from {address}")
            raise SignInRefused("name and password do not belong together; nothing was changed")
        self._brake.passed(*keys)
        user = self._renewed(user, password)
        return self._begin(user.name if user else name, self._credential(user) or "", address)

    def sign_out(self, person: Person) -> None:
        """End the session."""
        self._ports.write(lambda store: store.end_session(person.key))
        self._note(person.name, "signed out", "")

    def _renewed(self, user: User | None, password: str) -> User | None:
        """The user with a hash as it is written today. Their sessions elsewhere end: each was proved by the old one."""
        if user is None or not must_be_renewed(user.hash):
            return user
        renewed = replace(user, hash=hash_password(password))

        def keep(store: Store) -> None:
            if store.user(user.name) == user:
                store.save_user(renewed.name, renewed.hash, renewed.created)

        self._ports.write(keep)
        return renewed

    def _begin(self, name: str, credential: str, address: str) -> str:
        session_id = secrets.token_urlsafe(32)
        now = self._ports.now()
        session = Session(_hash(session_id), name, _proof(session_id, credential), now)

        def keep(store: Store) -> None:
            with store.transaction():
                store.end_sessions_before(now - LASTS)
                store.save_session(session)
                store.add_audit(now, name, "signed in", f"from {address}")

        self._ports.write(keep)
        return session_id

    def _note(self, who: str, what: str, detail: str) -> None:
        self._ports.write(lambda store: store.add_audit(self._ports.now(), who, what, detail))

    def _credential(self, user: User | None) -> str | None:
        return user.hash if user is not None else self._ports.secret()

    def _knows(self, user: User | None, password: str) -> bool:
        if user is not None:
            return is_password(password, user.hash)
        secret = self._ports.secret()
        if secret is None:
            return is_password(password, NOBODY)
        return hmac.compare_digest(password.encode(), secret.encode())


def person_of(store: Store, session_id: str | None, now: datetime, secret: Callable[[], str | None]) -> Person | None:
    """Who the cookie's session belongs to; None where it is none, too old, or its password has changed. secret: of the
    room's page.
    """
    if not session_id or len(session_id) > 100:
        return None
    session = store.session(_hash(session_id))
    if session is None or now - session.created > LASTS:
        return None
    user = store.user(session.name)
    credential = user.hash if user is not None else secret()
    if credential is None or not hmac.compare_digest(session.proof, _proof(session_id, credential)):
        return None
    return Person(session.name, _csrf(session_id), session.hash, user is not None and user.owner)


def user_alike(store: Store, name: str) -> User | None:
    """The registered user of that name however spelt: the shop's password must let nobody be `Ana` beside `ana`."""
    return next((user for user in store.users() if _alike(user.name) == _alike(name)), None)


def _alike(name: str) -> str:
    return unicodedata.normalize("NFKC", name).casefold()


def _network(address: str) -> str:
    """What one guesser has: an IPv4 address, or all of an IPv6 network."""
    try:
        found = ip_address(address.partition("%")[0])
    except ValueError:
        return address
    return str(ip_network((found, 64), strict=False)) if found.version == 6 else address


def same_csrf(person: Person, token: str | None) -> bool:
    """Whether the form's token is the session's own."""
    return hmac.compare_digest((token or "").encode(), person.csrf.encode())


def _hash(session_id: str) -> str:
    """Plain SHA-256 does: the id has 256 random bits, so there is nothing to guess."""
    return hashlib.sha256(session_id.encode()).hexdigest()


def _proof(session_id: str, credential: str) -> str:
    return hmac.new(session_id.encode(), b"credential " + credential.encode(), hashlib.sha256).hexdigest()


def _csrf(session_id: str) -> str:
    return hmac.new(session_id.encode(), b"form", hashlib.sha256).hexdigest()
