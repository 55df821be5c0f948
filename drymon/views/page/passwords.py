"""Passwords: scrypt hashes as text, by werkzeug, and a brake on guessing.

scrypt: RFC 7914. The cost (N 2^13, r 8, p 10) is one of the equivalents in the section "scrypt" of the OWASP Password
Storage Cheat Sheet (https://cheatsheetseries.owasp.org/cheatsheets/Password_Storage_Cheat_Sheet.html); of these it is
the one that needs least memory, 8 MiB, for the service shares a small computer.
"""

import base64
import hashlib
import hmac
import threading
from collections.abc import Callable
from dataclasses import dataclass, field

from werkzeug.security import check_password_hash, generate_password_hash

from drymon.errors import SetupError
from drymon.messages.settings import LONGEST_PASSWORD, SHORTEST_PASSWORD

METHOD = "scrypt:8192:8:10"
_ONE_AT_A_TIME = threading.Lock()  # each hash takes 8 MiB and half a second of a small computer


def check_password(password: str) -> str:
    """The password, if it is fit to be one; SetupError says what is allowed."""
    if not SHORTEST_PASSWORD <= len(password) <= LONGEST_PASSWORD:
        raise SetupError(
            f"password: received {len(password)} characters; allowed are {SHORTEST_PASSWORD} to {LONGEST_PASSWORD}: "
            "a few words in a row are easy to type with gloves on"
        )
    return password


def hash_password(password: str) -> str:
    """`scrypt:N:r:p$salt$hash`, with a salt of its own."""
    with _ONE_AT_A_TIME:
        return generate_password_hash(password, METHOD)


def is_password(password: str, stored: str) -> bool:
    """Whether the password is the one behind the stored hash; in the same time either way."""
    told = password[:LONGEST_PASSWORD]
    with _ONE_AT_A_TIME:
        return _is_of_old(told, stored) if must_be_renewed(stored) else check_password_hash(stored, told)


def must_be_renewed(stored: str) -> bool:
    """Whether the hash is written as drymon did before: `scrypt:N:r:p:salt:hash`, both in base64."""
    return "$" not in stored


def _is_of_old(password: str, stored: str) -> bool:
    _, cost, block, parallel, salt, digest = stored.split(":")
    found = hashlib.scrypt(
        password.encode(),
        salt=base64.b64decode(salt),
        n=int(cost),
        r=int(block),
        p=int(parallel),
        maxmem=2**25,
        dklen=32,
    )
    return hmac.compare_digest(found, base64.b64decode(digest))


NOBODY = f"{METHOD}${'A' * 16}${'0' * 128}"
"""Compared with where there is no such user, so that the answer takes as long."""


@dataclass
class Brake:
    """Slows guessing: after `free` failures of one kind (an address, a name) within `window_s`, wait.

    running: seconds that never jump.
    """

    running: Callable[[], float]
    free: int = 5
    window_s: float = 300.0
    _failures: dict[str, list[float]] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def wait_s(self, *keys: str) -> int:
        """Seconds until another try is let in; 0: now."""
        with self._lock:
            return max((self._wait(key) for key in keys), default=0)

    def failed(self, *keys: str) -> None:
        """Note a failure."""
        with self._lock:
            if len(self._failures) > 1000:  # somebody makes up names: forget those who have waited long enough
                self._failures = {key: times for key, times in self._failures.items() if self._wait(key)}
            for key in keys:
                self._failures[key] = [*self._recent(key), self.running()][-self.free :]

    def passed(self, *keys: str) -> None:
        """Let the keys begin anew."""
        with self._lock:
            for key in keys:
                self._failures.pop(key, None)

    def _recent(self, key: str) -> list[float]:
        now = self.running()
        return [time for time in self._failures.get(key, []) if now - time < self.window_s]

    def _wait(self, key: str) -> int:
        recent = self._recent(key)
        return 0 if len(recent) < self.free else int(self.window_s - (self.running() - recent[0])) + 1
