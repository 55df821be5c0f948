"""A word to the service manager: sd_notify(3), a datagram to a socket; nothing happens where there is none."""

import logging
import os
import socket

log = logging.getLogger(__name__)


def own_patience() -> list[str]:
    """The manager's own patience with a silent service, to be told once a start that may take longer is over."""
    patience = os.environ.get("WATCHDOG_USEC", "")
    return [f"WATCHDOG_USEC={patience}"] if patience.isdecimal() else []


def tell(*assignments: str) -> bool:
    """Send e.g. "READY=1", "STATUS=…", "WATCHDOG=1". True if a manager was there to be told."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return False
    name = "\0" + address[1:] if address.startswith("@") else address  # "@": Linux's abstract names
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as manager:
            manager.settimeout(1.0)
            manager.sendto("\n".join(assignments).encode(), name)
    except OSError as error:
        log.warning("the service manager could not be told: %s", error)
        return False
    return True
