"""The page of a running service, in threads of its own; a page that cannot open its port stops nothing else."""

import json
import logging
import os
import secrets
import threading
import time
from collections.abc import Callable
from typing import Any, TypeVar

from drymon.errors import SetupError
from drymon.messages.message import Message
from drymon.messages.outgoing import to_payload
from drymon.messages.settings import HomeConfig, Where, read_secret
from drymon.service.clock import Clock
from drymon.service.embedded import broker_of
from drymon.service.pipeline import Pipeline
from drymon.service.publisher import publish_once
from drymon.shop.alarms.alarm_book import AlarmBook
from drymon.store import Store
from drymon.web.channels import make_patient
from drymon.web.house import House
from drymon.web.pictures import Pictures

log = logging.getLogger(__name__)

T = TypeVar("T")

IDENT = "drymon"
"""What the page calls itself in its answers (the Server field of RFC 9110)."""

THREADS = 6
LARGEST_BODY, LARGEST_HEAD = 64 * 1024, 16 * 1024
DOOR_FILE = "page.door"
"""Where commands on this machine find the running page: address and token, for the home's owner only."""


class PageServer:
    """Shows the room on its page. It reads the database through connections of its own and writes through `ask`.

    ask: has the service's one writing thread do something. online: whether the broker is there. start_anew: has the
    whole service end and start again.
    `start` raises OSError where the port cannot be opened.
    """

    def __init__(
        self,
        config: HomeConfig,
        database: Where,
        ask: Callable[[Callable[[Pipeline], Any]], Any],
        online: Callable[[], bool],
        clock: Clock,
        *,
        start_anew: Callable[[], None] = lambda: None,
    ) -> None:
        self._house = House(config.path, clock, start_anew)
        self._config, self._database, self._ask, self._online, self._clock = config, database, ask, online, clock
        self._token = secrets.token_urlsafe(32)
        self._server: Any = None
        self._app: Any = None

    def start(self) -> None:
        """Open the port and serve."""
        from waitress.server import create_server

        logging.getLogger("waitress.queue").setLevel(logging.ERROR)  # a queue is what it is for
        page = self._config.page
        (self._config.path / DOOR_FILE).unlink(missing_ok=True)  # of a service that was killed
        # What is too large is turned away before it is gathered: by default a gigabyte would go to the disk first.
        self._app = self.make_app()
        self._server = create_server(
            self._app,
            host=page.host,
            port=page.port,
            threads=THREADS,
            ident=IDENT,
            max_request_body_size=LARGEST_BODY,
            max_request_header_size=LARGEST_HEAD,
        )
        make_patient(self._server, self._clock.monotonic)
        threading.Thread(target=self._run, name="page", daemon=True).start()
        self._show_door()

    def stop(self) -> None:
        """Close the port."""
        if self._server is not None:
            (self._config.path / DOOR_FILE).unlink(missing_ok=True)
            self._server.close()
            self._app.extensions["readers"].close()
            self._server = None
            self._house.stop()

    def make_app(self) -> Any:
        """The page as a WSGI application."""
        from drymon.views.page.app import create_app
        from drymon.views.page.ports import Ports

        pictures = Pictures(self._config.path, self._database, self._clock)
        return create_app(
            Ports(
                config=self._config,
                database=self._database,
                now=self._clock.wall,
                running=self._clock.monotonic,
                pause=time.sleep,
                publish=self._publish,
                write=self._write,
                alarm=self._alarm,
                broker_online=self._online,
                draw=pictures.get,
                report=pictures.report,
                labels=pictures.labels,
                secret=self._secret,
                token=self._token,
                house=self._house,
            )
        )

    def _run(self) -> None:
        server = self._server
        try:
            server.run()
        except OSError:
            if self._server is not None:  # closing the port ends the loop this way, too
                log.exception("the page has stopped; listening goes on")

    def _show_door(self) -> None:
        file = self._config.path / DOOR_FILE
        host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(self._config.page.host, self._config.page.host)
        content = json.dumps({"host": host, "port": self._config.page.port, "token": self._token})
        with os.fdopen(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="ascii") as door:
            door.write(content)

    def _publish(self, topic: str, content: dict[str, Any]) -> None:
        """By way of the broker, as everything else: so it is recorded, and can be replayed."""
        message = Message(self._clock.wall(), topic, to_payload(content), qos=1)
        publish_once(broker_of(self._config), message, mqtt5=self._config.broker is not None)

    def _write(self, work: Callable[[Store], T]) -> T:
        answer: T = self._ask(lambda pipeline: work(pipeline.store))
        return answer

    def _alarm(self, act: Callable[[AlarmBook], AlarmBook], key: str, change: str, who: str) -> None:
        now = self._clock.wall()
        self._ask(lambda pipeline: pipeline.act(act, now, key, change, who))

    def _secret(self) -> str | None:
        file = self._config.page.password_file
        try:
            return read_secret(file) if file is not None else None
        except SetupError as error:  # it was there at the start: now it lets nobody in, and users have their own
            log.error("page: %s", error)
            return None
