"""People, labels and fits on the page."""

from typing import Any

from flask import Flask, Response, abort, make_response, request, url_for

from drymon.errors import LearningError, SetupError
from drymon.messages.names import label_of, name_of
from drymon.views.page.guard import ALONE
from drymon.views.page.page_context import Flash, PageContext, back_to, told
from drymon.views.page.passwords import check_password, hash_password
from drymon.views.page.setup_views import note
from drymon.views.page.user_acts import ACTS, change_user, last_owner

MOST_LABELS = 240
"""Ten sheets at once."""
LONGEST_URL = 200


def add(app: Flask, context: PageContext) -> None:
    """Register these views; `_check_change` lets owners alone change anything below /setup/."""
    _add_people(app, context)
    _add_labels(app, context)
    _add_fits(app, context)


def _add_people(app: Flask, context: PageContext) -> None:
    @app.get("/setup/people")
    def people() -> Any:
        if context.person is None:
            return back_to(url_for("sign_in", back=request.path))
        return context.render("people.html", users=context.store().users(), tried="", problem="")

    @app.post("/setup/people/<act>")
    def people_act(act: str) -> Any:
        if act not in ACTS:
            abort(404, "no such act")
        name = " ".join(request.form.get("name", "").split())
        try:
            context.flash(Flash(_change(context, act, name)))
        except SetupError as error:
            page = context.render("people.html", users=context.store().users(), tried=name, problem=str(error))
            return make_response(page, 422)
        return back_to(url_for("people"))


def _change(context: PageContext, act: str, name: str) -> str:
    """Do it; SetupError says what is allowed. Who changes people has to stay able to."""
    if act in ("remove", "logs") and last_owner(context.store(), name):
        raise SetupError(f"{name} is the only owner: make somebody else an owner first; nothing was changed")
    wanted = {"act": act, "name": name, "by": context.person.name if context.person else ""}
    if act in ("add", "password"):
        wanted["hash"] = hash_password(check_password(request.form.get("password", "")))
    now = context.ports.now()
    return context.ports.write(lambda store: change_user(store, wanted, now))


def _add_labels(app: Flask, context: PageContext) -> None:
    @app.get("/setup/labels")
    def labels() -> Any:
        return _labels_page(context, "")

    @app.get("/setup/labels.pdf")
    def labels_pdf() -> Any:
        try:
            words = _label_words(context)
        except ValueError as error:
            return make_response(_labels_page(context, str(error)), 422)
        made = context.ports.labels(words)
        if made is None:
            abort(503, "the labels cannot be drawn now; try again in a minute")
        saved = {"Cache-Control": "no-store", "Content-Disposition": 'inline; filename="labels.pdf"'}
        return Response(made, mimetype="application/pdf", headers={**saved, **ALONE})


def _labels_page(context: PageContext, problem: str) -> Response:
    trees = [tree.called for tree in context.look().trees]
    return context.render("labels.html", trees=trees, asked=request.args, problem=problem, address=request.host_url)


def _label_words(context: PageContext) -> list[str]:
    """The words of `drymon labels` for what was asked; ValueError says what is allowed."""
    named = [line.strip() for line in request.args.get("names", "").splitlines() if line.strip()]
    trees, racks = [*request.args.getlist("tree"), *named], request.args.getlist("rack")
    for written in trees:
        name_of(written)
        if label_of(written).startswith("-") or written.startswith("-"):
            raise ValueError(f"received {written[:60]!r}; allowed is a name that begins with a letter or a digit")
    unknown = [name for name in racks if name not in context.room.rack_by_name]
    if unknown:
        raise ValueError(f"received the rack {unknown[0][:60]!r}; racks: {', '.join(context.room.rack_by_name)}")
    if not trees and not racks:
        raise ValueError("nothing is ticked and no name is given: tick a tree or a rack, or write a name")
    if len(trees) + len(racks) > MOST_LABELS:
        raise ValueError(f"received {len(trees) + len(racks)} labels; allowed are {MOST_LABELS} at once")
    url = request.args.get("url", "").strip() or request.host_url
    if not url.startswith(("http://", "https://")) or len(url) > LONGEST_URL or not url.isprintable() or " " in url:
        raise ValueError(f"address: received {url[:60]!r}; allowed is one such as http://shells.local:8480")
    chosen = [["--trees", *trees]] if trees else []
    chosen += [["--racks", *racks]] if racks else []
    return [word for words in chosen for word in words] + [f"--url={url}"]


def _add_fits(app: Flask, context: PageContext) -> None:
    @app.get("/setup/fit")
    def fit() -> Any:
        return context.render("fit.html", fit=context.ports.house.fit(), poll=url_for("fit_part"))

    @app.get("/part/fit")
    def fit_part() -> Any:
        return context.fragment("_fit.html", fit=context.ports.house.fit())

    @app.post("/setup/fit/start")
    def fit_start() -> Any:
        coat = request.form.get("coat", "")
        if coat and coat not in context.room.coat_by_name:
            abort(400, "no such coat; nothing was started")
        with told(context, LearningError, OSError):
            context.ports.house.start_fit(coat, context.person.name if context.person else "")
            note(context, "fit started", coat or "all coats")
        return back_to(url_for("fit"))
