"""Signing in and out, and the door for commands on this machine."""

import hmac
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

from flask import Flask, abort, make_response, request, url_for

from drymon.shop.alarms.alarm_acts import about_of, act_of, done
from drymon.store.decisions import change_run, keep_calibration
from drymon.store.store import Store
from drymon.views.page.access import LASTS, SignInRefused, cookie_of
from drymon.views.page.page_context import PageContext, back_to
from drymon.views.page.user_acts import change_user

ACTS: Mapping[str, Callable[[Store, Mapping[str, Any], datetime], str]] = {
    "user": change_user,
    "calibration": keep_calibration,
    "run": change_run,
}


def add(app: Flask, context: PageContext) -> None:
    """Register these views."""
    _add_people(app, context)
    _add_door(app, context)


def _add_people(app: Flask, context: PageContext) -> None:
    @app.route("/sign-in", methods=["GET", "POST"])
    def sign_in() -> Any:
        back = request.values.get("back", url_for("room"))
        if request.method == "GET":
            return context.render("sign_in.html", back=back, problem="", tried="", quiet=True)
        return _sign_in(context, back)

    @app.post("/sign-out")
    def sign_out() -> Any:
        if context.person is not None:
            context.access.sign_out(context.person)
        answer = back_to(url_for("room"))
        answer.delete_cookie(cookie_of(context.room.name))
        return answer


def _add_door(app: Flask, context: PageContext) -> None:
    @app.post("/control/<any(user, calibration, run):about>")
    def control(about: str) -> Any:
        _check_token(context)
        wanted, act = request.get_json(silent=True) or {}, ACTS[about]
        now = context.ports.now()
        text = context.ports.write(lambda store: act(store, wanted, now))
        return {"text": text}

    @app.post("/control/alarm")
    def control_alarm() -> Any:
        _check_token(context)
        wanted = request.get_json(silent=True) or {}
        change, by = str(wanted.get("act", "")), str(wanted.get("by", ""))
        about = about_of(wanted)
        context.ports.alarm(act_of(wanted, context.ports.now()), about, change, by)
        return {"text": done(change, about)}


def _check_token(context: PageContext) -> None:
    sent = request.headers.get("X-Drymon-Token", "")
    if not hmac.compare_digest(sent.encode(), context.ports.token.encode()):
        abort(403, "this door is for commands on this machine")


def _sign_in(context: PageContext, back: str) -> Any:
    name = " ".join(request.form.get("name", "").split())
    password = request.form.get("password", "")
    try:
        session_id = context.access.sign_in(context.store(), name, password, request.remote_addr or "")
    except SignInRefused as refused:
        code = 429 if refused.wait_s else 403
        answer = make_response(
            context.render("sign_in.html", back=back, problem=str(refused), tried=name, quiet=True), code
        )
        if refused.wait_s:
            answer.headers["Retry-After"] = str(refused.wait_s)
        return answer
    answer = back_to(back)
    answer.set_cookie(
        cookie_of(context.room.name),
        session_id,
        max_age=int(LASTS.total_seconds()),
        httponly=True,
        samesite="Strict",
        secure=request.headers.get("Origin", "").startswith("https://"),  # a proxy may speak TLS for us
    )
    return answer
