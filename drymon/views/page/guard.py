"""What a request must bring before anything looks at it: a host name of ours, and for a change our own origin.

Host allow-list: against DNS rebinding, where a stranger's name is made to point at this machine. A bare IP address
cannot be rebound. Sec-Fetch-Site: Fetch Metadata Request Headers (W3C); Origin: RFC 6454.
"""

import socket
from collections.abc import Iterable
from functools import cache
from ipaddress import ip_address
from urllib.parse import urlsplit

from drymon.messages.settings import Page, is_loopback

POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'; manifest-src 'self'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}
ALONE = {"Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'; sandbox"}
"""Pictures and records may carry styles of their own; they can do nothing else."""

EVERYWHERE = ("0.0.0.0", "::")


def host_is_ours(host: str | None, page: Page) -> bool:
    """Whether the Host header names this machine as the page may be reached: its address, or one of its own names, or
    one that room.toml gives it."""
    name = name_of(host)
    if name is None:
        return False
    if name in page.names:
        return True
    if is_loopback(page.host):
        return is_local(host)
    if name == page.host.casefold() or name in own_names():
        return True
    return page.host in EVERYWHERE and (_is_address(name) or name == "localhost")


def is_local(host: str | None) -> bool:
    """Whether a Host header says that the browser runs on this machine."""
    name = name_of(host)
    return name is not None and (name == "localhost" or (_is_address(name) and ip_address(name).is_loopback))


def from_our_page(host: str | None, site: str | None, origin: str | None) -> bool:
    """Whether a change was asked for by a page of our own; without either header it was not by a browser."""
    if site is not None:
        return site == "same-origin"
    return origin is not None and urlsplit(origin).netloc.casefold() == (host or "").casefold() != ""


def is_pulled_in(site: str | None, mode: str | None) -> bool:
    """Whether a page elsewhere asks for something of ours as a part of itself: it could have us draw without end."""
    return site in ("cross-site", "same-site") and mode != "navigate"


@cache
def own_names() -> frozenset[str]:
    """This machine's names in a shop's network."""
    short = socket.gethostname().casefold()
    return frozenset(_names(short))


def _names(short: str) -> Iterable[str]:
    first = short.partition(".")[0]
    return (short, first, f"{first}.local", f"{first}.lan", f"{first}.home.arpa")


def name_of(host: str | None) -> str | None:
    """The name in a Host header, in small letters and without the port; None where it is none."""
    try:
        return (urlsplit(f"//{host}").hostname or "").casefold().rstrip(".") or None
    except ValueError:
        return None


def _is_address(name: str) -> bool:
    try:
        ip_address(name)
    except ValueError:
        return False
    return True
