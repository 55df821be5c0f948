"""Pictures: drawn elsewhere, handed on here."""

from typing import Any

from flask import Flask, Response, abort, request, send_from_directory

from drymon.messages.names import is_name
from drymon.views.page.guard import ALONE
from drymon.views.page.page_context import PageContext
from drymon.views.page.ports import Picture
from drymon.views.page.room_views import LONGEST_CHART_H, SPANS

KINDS = ("tree", "rack", "psychrometric", "model", "plan", "slurry")
REPORTS = {"html": "text/html", "pdf": "application/pdf"}


def add(app: Flask, context: PageContext) -> None:
    """Register these views."""

    @app.get("/picture/<kind>/<name>.svg")
    def picture(kind: str, name: str) -> Any:
        return _picture(context, kind, name, request.args.get("hours", 0, type=int))

    @app.get("/report/<name>.<ending>")
    def report(name: str, ending: str) -> Any:
        return _report(context, name, ending)

    @app.get("/manifest.webmanifest")
    def manifest() -> Any:
        return send_from_directory(app.static_folder or "", "drymon.webmanifest")


def _picture(context: PageContext, kind: str, name: str, hours: int) -> Response:
    longest = LONGEST_CHART_H if kind == "psychrometric" else max(SPANS.values())
    if kind not in KINDS or not is_name(name) or hours not in (0, *SPANS.values()) or hours > longest:
        abort(404, "no such picture")
    # The card beside it says the newest word; so must the picture.
    tree = context.look().tree(name) if kind == "tree" else None
    drawn = context.ports.draw(Picture(kind, name, hours, tree.verdict.time if tree else None))
    if drawn is None:
        abort(503, "this picture cannot be drawn now; try again in a minute")
    return Response(drawn, mimetype="image/svg+xml", headers={"Cache-Control": "private, max-age=60", **ALONE})


def _report(context: PageContext, name: str, ending: str) -> Response:
    if ending not in REPORTS or not is_name(name):
        abort(404, "no such record")
    written = context.ports.report(name, ending)
    if written is None:
        abort(503, f"the record of {name} cannot be written now; try again in a minute")
    saved = {"Cache-Control": "no-store", "Content-Disposition": f'attachment; filename="{name}.{ending}"'}
    return Response(written, mimetype=REPORTS[ending], headers={**saved, **ALONE})
