"""The page over all rooms on the wire, in a process of its own: it reads, and writes nothing."""

import logging
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from drymon.errors import DrymonError
from drymon.messages.settings import Page
from drymon.service.clock import SystemClock
from drymon.web.channels import make_patient
from drymon.web.server import IDENT, LARGEST_BODY, LARGEST_HEAD, THREADS

log = logging.getLogger(__name__)


class RoomsServer:
    """Shows all homes in a folder. DrymonError where its port cannot be opened."""

    def __init__(self, folder: Path, page: Page) -> None:
        from waitress.server import create_server

        from drymon.views.page.all_rooms import create_rooms_app

        logging.getLogger("waitress.queue").setLevel(logging.ERROR)  # a queue is what it is for
        app: Callable[..., Any] = create_rooms_app(folder, page, SystemClock().wall, time.monotonic)
        try:
            self._server: Any = create_server(
                app,
                host=page.host,
                port=page.port,
                threads=THREADS,
                ident=IDENT,
                max_request_body_size=LARGEST_BODY,
                max_request_header_size=LARGEST_HEAD,
            )
        except OSError as error:
            raise DrymonError(
                f"the page cannot open {page.host} port {page.port} ({error}): stop what has it, or name another --port"
            ) from error
        make_patient(self._server, time.monotonic)

    def run(self) -> None:
        """Serve until `stop`, or KeyboardInterrupt."""
        self._server.run()

    def stop(self) -> None:
        """Close the port."""
        self._server.close()
