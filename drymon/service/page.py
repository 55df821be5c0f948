"""The page of a running service, in threads of its own; a page that cannot open its port stops nothing
else."""

import logging
import threading
from pathlib import Path
from typing import Any

from drymon.messages.settings import HomeConfig

log = logging.getLogger(__name__)

THREADS = 2


class PageServer:
    """Shows the room on its page. It reads the database through connections of its own.

    Raises OSError from `start` where the port cannot be opened.
    """

    def __init__(self, config: HomeConfig, db_path: Path) -> None:
        self._config, self._db_path = config, db_path
        self._server: Any = None
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Open the port and serve."""
        from waitress.server import create_server

        page = self._config.page
        self._server = create_server(
            make_app(self._config, self._db_path), host=page.host, port=page.port, threads=THREADS
        )
        self._thread = threading.Thread(target=self._server.run, name="page", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Close the port."""
        if self._server is not None:
            self._server.close()
            self._server = None


def make_app(config: HomeConfig, db_path: Path) -> Any:
    """The page as a WSGI application."""
    from flask import Flask, render_template_string

    from drymon.store.store import Store

    app = Flask(__name__)

    @app.get("/")
    def room() -> str:
        with Store.open(db_path, readonly=True) as store:
            trees = store.current_verdicts()
        return render_template_string(TEMPLATE, room=config.room, trees=trees)

    return app


TEMPLATE = """<!doctype html>
<html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>{{ room.label or room.name }}</title>
<h1>{{ room.label or room.name }}</h1>
<table><tr><th>Tree<th>Rack<th>Coat<th>State<th>Why</tr>
{% for tree in trees %}
<tr><td>{{ tree.tree }}<td>{{ tree.rack }}<td>{{ tree.number }} {{ tree.coat }}<td>{{ tree.state }}
<td>{{ tree.reasons | map(attribute="text") | join("; ") }}</tr>
{% else %}<tr><td colspan="5">No tree hangs in the room.</tr>{% endfor %}
</table>
<p>Ready to redip says nothing about dewax or pour: that stays with trained people.</p>
</html>
"""
