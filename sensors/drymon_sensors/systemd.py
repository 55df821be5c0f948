"""A word to the service manager: sd_notify(3), a datagram to a socket; nothing happens where there is none."""

from __future__ import annotations

import os
import socket


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
    except OSError:
        return False
    return True
