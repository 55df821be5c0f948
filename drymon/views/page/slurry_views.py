"""The tanks of slurry: what holds, what to do, a form for the check, the months as a picture."""

from typing import Any

from flask import Flask

from drymon.drying.cups import CUPS
from drymon.views.page.page_context import PageContext
from drymon.views.tank_words import tank_views


def add(app: Flask, context: PageContext) -> None:
    """Register this view."""

    @app.get("/slurry")
    def slurry() -> Any:
        views = tank_views(context.store(), context.room, context.words().now)
        return context.render("slurry.html", tanks=views, cups=CUPS)
