"""The page as a Flask application: what guards every request, and where its views are."""

import logging
from typing import Any

from flask import Flask, Response, abort, redirect, render_template, request, url_for
from werkzeug.exceptions import HTTPException

from drymon.errors import DrymonError, StoreError
from drymon.messages.times import stamp
from drymon.readback.now import age, percent
from drymon.shop.facts.outcome import State
from drymon.shop.facts.standing import entry_of
from drymon.shop.facts.value_words import value_words
from drymon.views.event_words import event_words
from drymon.views.page import (
    alarm_views,
    evidence_views,
    house_views,
    log_changes,
    log_views,
    measure_views,
    picture_views,
    recipe_views,
    room_views,
    setup_views,
    sign_views,
    slurry_views,
)
from drymon.views.page.access import same_csrf
from drymon.views.page.compiled import kept
from drymon.views.page.guard import HEADERS, from_our_page, host_is_ours, is_pulled_in
from drymon.views.page.page_context import PageContext
from drymon.views.page.ports import Ports
from drymon.views.page.words import FACES, air_words

log = logging.getLogger(__name__)

LARGEST_FORM = 16 * 1024
WITHOUT_SESSION = frozenset({"sign_in", "control", "control_alarm"})
OPEN = frozenset({"static", "sign_in", "control", "control_alarm", "manifest", "clock"})


def create_app(ports: Ports) -> Flask:
    """The application; everything it touches comes through `ports`."""
    app = Flask(__name__)
    app.config["MAX_CONTENT_LENGTH"] = LARGEST_FORM
    app.config["SEND_FILE_MAX_AGE_DEFAULT"] = 3600
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    app.jinja_env.bytecode_cache = kept()
    app.jinja_env.globals.update(
        State=State,
        FACES=FACES,
        stamp=stamp,
        percent=percent,
        air_words=air_words,
        event_words=event_words,
        entry_of=entry_of,
        value_words=value_words,
        words_between=lambda begin, end: age(end - begin),
    )
    context = PageContext(app, ports)
    _guard(app, context)
    _answer_errors(app, context)
    for views in (
        room_views,
        log_changes,
        log_views,
        sign_views,
        alarm_views,
        evidence_views,
        measure_views,
        picture_views,
        slurry_views,
        recipe_views,
        setup_views,
        house_views,
    ):
        views.add(app, context)
    _compile(app)
    return app


def _compile(app: Flask) -> None:
    """All templates, at the start: the first tap does not wait for it, and what it took is free for the trees."""
    for name in app.jinja_env.list_templates(["html"]):
        app.jinja_env.get_template(name)


def _guard(app: Flask, context: PageContext) -> None:
    @app.before_request
    def check() -> Any:
        if not host_is_ours(request.host, context.ports.config.page):
            abort(421, f"received the host name {request.host[:80]!r}; this page does not go by that name")
        if request.method not in ("GET", "HEAD"):
            _check_change(context)
        elif is_pulled_in(request.headers.get("Sec-Fetch-Site"), request.headers.get("Sec-Fetch-Mode")):
            abort(403, "a page elsewhere asked for this as a part of itself")
        elif request.endpoint not in OPEN and not context.may_read:
            return redirect(url_for("sign_in", back=request.full_path.rstrip("?")), 303)
        return None

    @app.after_request
    def dress(answer: Response) -> Response:
        for name, value in HEADERS.items():
            answer.headers.setdefault(name, value)
        return answer

    @app.teardown_request
    def end(_: BaseException | None) -> None:
        context.close()


def _answer_errors(app: Flask, context: PageContext) -> None:
    @app.errorhandler(HTTPException)
    def refused(error: HTTPException) -> Any:
        return _plain(error.code or 500, str(error.description))

    @app.errorhandler(DrymonError)
    def could_not(error: DrymonError) -> Any:
        log.warning("page: %s", error)
        home = str(context.ports.config.path)  # where things lie on this machine is no visitor's affair
        text = str(error).replace(f"{home}/", "").replace(home, "the home folder")
        return _plain(503 if isinstance(error, StoreError) else 400, text)


def _check_change(context: PageContext) -> None:
    """A change needs a page of ours, a person, and that person's own form."""
    if request.endpoint in ("control", "control_alarm"):
        return  # proves itself with the home's own token
    if not from_our_page(request.host, request.headers.get("Sec-Fetch-Site"), request.headers.get("Origin")):
        abort(403, "this change was not asked for by a page of drymon; nothing was changed")
    if request.endpoint in WITHOUT_SESSION:
        return
    if context.person is None:
        abort(401, "sign in first; nothing was changed")
    if not same_csrf(context.person, request.form.get("csrf")):
        abort(403, "this form is not from your session: load the page again; nothing was changed")
    if request.path.startswith("/setup/") and not context.person.owner:
        abort(403, "an owner alone sets up the room; nothing was changed")


def _plain(code: int, text: str) -> Any:
    if request.accept_mimetypes.best == "application/json":
        return {"text": text}, code
    return render_template("error.html", code=code, text=text), code, {"Cache-Control": "no-store"}
