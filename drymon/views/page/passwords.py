"""Passwords: scrypt hashes as text, and a brake on guessing.

scrypt: RFC 7914. The cost (N 2^13, r 8, p 10) is one of the equivalents in the section "scrypt" of the OWASP Password
Storage Cheat Sheet (https://cheatsheetseries.owasp.org/cheatsheets/Password_Storage_Cheat_Sheet.html); of these it is
the one that needs least memory, 8 MiB, for the service shares a small computer.
"""

import base64
import hashlib
import hmac
import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass, field

from drymon.errors import SetupError
from drymon.messages.settings import LONGEST_PASSWORD, SHORTEST_PASSWORD

COST, BLOCK, PARALLEL = 2**13, 8, 10
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
    """`scrypt:N:r:p:salt:hash`, with a salt of its own."""
    salt = secrets.token_bytes(16)
    digest = _scrypt(password, salt, COST, BLOCK, PARALLEL)
    return f"scrypt:{COST}:{BLOCK}:{PARALLEL}:{_text(salt)}:{_text(digest)}"


def is_password(password: str, stored: str) -> bool:
    """Whether the password is the one behind the stored hash; in the same time either way."""
    kind, cost, block, parallel, salt, digest = stored.split(":")
    if kind != "scrypt":
        return False
    found = _scrypt(password, base64.b64decode(salt), int(cost), int(block), int(parallel))
    return hmac.compare_digest(found, base64.b64decode(digest))


NOBODY = f"scrypt:{COST}:{BLOCK}:{PARALLEL}:{'A' * 22}==:{'A' * 43}="
"""Compared with where there is no such user, so that the answer takes as long."""


def _scrypt(password: str, salt: bytes, cost: int, block: int, parallel: int) -> bytes:
    with _ONE_AT_A_TIME:
        return hashlib.scrypt(
            password[:LONGEST_PASSWORD].encode(), salt=salt, n=cost, r=block, p=parallel, maxmem=2**25, dklen=32
        )


def _text(raw: bytes) -> str:
    return base64.b64encode(raw).decode()


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
