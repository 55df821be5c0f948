"""Connections to the page: each has a while to ask and to take its answer, and no address has them all.

A connection that never ends its request, a byte now and then, is never idle: a hundred of them would close the page.
"""

from collections.abc import Callable
from typing import Any

ASK_S = 30.0
"""For the whole of a request, counted from the connection, or from the end of the answer before."""
TAKE_S = 60.0
"""For an answer, once there is something of it to be taken."""
MOST_OF_ONE = 32
"""Connections of one address, of the hundred that there are; a browser opens six."""


def make_patient(server: Any, running: Callable[[], float], ask_s: float = ASK_S, take_s: float = TAKE_S) -> None:
    """Give all connections of a waitress server these limits. running: seconds of the machine's running time."""
    channel = _channel(running, ask_s, take_s)
    for each in [server, *getattr(server, "map", {}).values()]:  # one for each address family
        if hasattr(each, "channel_class"):
            each.channel_class = channel


def _channel(running: Callable[[], float], ask_s: float, take_s: float) -> type[Any]:
    from waitress.channel import HTTPChannel

    class Channel(HTTPChannel):
        """A connection that is closed when it is too slow, or one too many."""

        def __init__(self, server: Any, sock: Any, addr: Any, adj: Any, map: Any = None) -> None:
            super().__init__(server, sock, addr, adj, map=map)
            self._step, self._since = (False, False), running()
            same = [other for other in server.active_channels.values() if other.addr[:1] == addr[:1]]
            self.will_close = len(same) > MOST_OF_ONE

        def readable(self) -> bool:
            """Asked of every connection whenever any has something to say, and each second."""
            now, step = running(), (bool(self.requests), bool(self.total_outbufs_len))
            if step != self._step:
                self._step, self._since = step, now
            works, takes = step
            longest = take_s if takes else ask_s
            if (takes or not works) and now - self._since > longest:
                self.will_close = True
            return bool(super().readable())

    return Channel
