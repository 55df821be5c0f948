"""A small broker inside the service, for trying out: loopback only, MQTT 3.1.1, in its own thread.

It forgets everything when the service ends and loses what was handed over but not yet acknowledged, so a shop
runs a broker of its own (`[broker]` in room.toml).
"""

import logging
import socket
import threading
from pathlib import Path
from typing import Any

from drymon.errors import BrokerError, SetupError
from drymon.messages.settings import Broker, HomeConfig

USUAL_PORT = 1883
PORT_FILE = "broker.port"
START_S = 20.0


class EmbeddedBroker:
    """Start it, stop it; `port` is where it listens."""

    def __init__(self, home: Path, port: int | None = None) -> None:
        import asyncio  # 3 MB that only a room without a broker of its own needs

        self.port = port if port is not None else _free_port()
        self._file = home / PORT_FILE
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, name="embedded-broker", daemon=True)
        self._up = threading.Event()
        self._failure: BaseException | None = None
        self._end: asyncio.Event | None = None

    def start(self) -> None:
        """Returns when it listens; BrokerError when it cannot."""
        for noisy in ("amqtt", "transitions"):
            logging.getLogger(noisy).setLevel(logging.CRITICAL)
        self._thread.start()
        if not self._up.wait(START_S) or self._failure is not None:
            raise BrokerError(f"the embedded broker cannot listen on 127.0.0.1:{self.port} ({self._failure})")
        self._file.write_text(f"{self.port}\n", encoding="ascii")

    def stop(self) -> None:
        """Close it; whoever is connected is cut off."""
        self._file.unlink(missing_ok=True)
        if self._thread.is_alive() and self._end is not None:
            self._loop.call_soon_threadsafe(self._end.set)
            self._thread.join(10.0)

    def _run(self) -> None:
        import asyncio

        asyncio.set_event_loop(self._loop)
        try:
            self._loop.run_until_complete(self._serve())
        except BaseException as error:  # whatever it is, the thread that waits must hear of it
            self._failure = error
        finally:
            self._up.set()

    async def _serve(self) -> None:
        import asyncio

        from amqtt.broker import Broker as Amqtt  # 10 MB that only a room without a broker of its own needs

        broker = Amqtt(self._settings())
        await broker.start()
        self._end = asyncio.Event()
        self._up.set()
        await self._end.wait()
        await asyncio.wait_for(broker.shutdown(), 5.0)

    def _settings(self) -> dict[str, Any]:
        return {
            "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{self.port}"}},
            "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
        }


def broker_of(config: HomeConfig) -> Broker:
    """Where this room's broker is: the shop's own, or the embedded one of a running service (BrokerError:
    none runs)."""
    if config.broker is not None:
        return config.broker
    file = config.path / PORT_FILE
    try:
        return Broker("127.0.0.1", int(file.read_text(encoding="ascii")))
    except FileNotFoundError:
        raise BrokerError(
            f"no broker: room.toml has no [broker] and the service with its embedded one does not run; "
            f"start it with: drymon serve --home {config.path}"
        ) from None
    except ValueError:
        raise SetupError(f"{file}: is no port number; stop the service, remove this file, start again") from None


def _free_port() -> int:
    """The usual port if nobody has it, else any."""
    for port in (USUAL_PORT, 0):
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return int(probe.getsockname()[1])
    raise BrokerError("no free port on 127.0.0.1 for the embedded broker")
