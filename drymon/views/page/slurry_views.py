"""The tanks of slurry: what holds, what to do, a form for the check, the months as a picture."""

from typing import Any

from flask import Flask

from drymon.drying.cups import CUPS
from drymon.views.page.desk import Desk
from drymon.views.tank_words import tank_views


def add(app: Flask, desk: Desk) -> None:
    """Register this view."""

    @app.get("/slurry")
    def slurry() -> Any:
        views = tank_views(desk.store(), desk.room, desk.words().now)
        return desk.render("slurry.html", tanks=views, cups=CUPS)
