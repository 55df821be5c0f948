"""The room's set-up on the page: room.toml by forms, judged by its own parser, and what of it is in force."""

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from flask import Flask, Response, abort, make_response, request, url_for

from drymon.errors import SetupError
from drymon.messages.config import ROOM_FILE, problems_of
from drymon.messages.in_force import models_mark, room_is_in_force
from drymon.messages.room_edit import add_entry, mark_of, read_room, remove_entry, set_entry, set_single
from drymon.views.page.evidence_views import coat_basis
from drymon.views.page.page_context import Flash, PageContext, back_to
from drymon.views.page.room_view import sensors
from drymon.views.page.setup_fields import (
    PART,
    PARTS,
    Field,
    Part,
    options_of,
    problems_by_field,
    said_of,
    shown_of,
    values_of,
)

NEW, ONLY = "new", "only"
BROKEN = 422
CHANGED = f"{ROOM_FILE} was changed by somebody else meanwhile: look at what stands here, then save once more"


@dataclass(frozen=True, slots=True)
class Shown:
    """A field with what stands in it, what it may be, what may be chosen, and what is wrong with it."""

    field: Field
    said: Sequence[str]
    range: str
    options: Sequence[str]
    problem: str


@dataclass(frozen=True, slots=True)
class Place:
    """Which entry of room.toml a form is about. number: counted from 1; None: of a table that is there once."""

    part: Part
    text: str
    data: Mapping[str, Any]
    which: str

    @property
    def number(self) -> int | None:
        """The entry's number; of a new one, that which it will have."""
        if self.part.single:
            return None
        return len(self.data.get(self.part.table, [])) + 1 if self.which == NEW else int(self.which)

    @property
    def entry(self) -> Mapping[str, Any]:
        """What room.toml has of it now."""
        if self.which == NEW:
            return {}
        found = self.data.get(self.part.table, {} if self.part.single else [])
        entry: Mapping[str, Any] = found if self.part.single else found[int(self.which) - 1]
        return entry

    def changed(self, form: Any) -> str:
        """The text of room.toml with what the form says."""
        values = values_of(self.part, form, new=self.which == NEW)
        if self.part.single:
            return set_single(self.text, self.part.table, values)
        if self.which == NEW:
            return add_entry(self.text, self.part.table, values)
        return set_entry(self.text, self.part.table, int(self.which), values)


class Force:
    """What the running service goes by, for comparing with the files as they are now."""

    def __init__(self, context: PageContext) -> None:
        self._config = context.ports.config
        self._models = models_mark(self._config.path)

    @property
    def models(self) -> bool:
        """Whether the coat models are those of the service's start."""
        return models_mark(self._config.path) == self._models

    def room(self, text: str) -> bool:
        """Whether room.toml says what it said at the service's start."""
        return room_is_in_force(text, self._config)


def add(app: Flask, context: PageContext) -> None:
    """Register these views; `_check_change` lets owners alone change anything below /setup/."""
    force = Force(context)
    app.jinja_env.globals["models_in_force"] = lambda: force.models

    @app.get("/setup")
    def setup() -> Any:
        text = read_room(_home(context))
        problems = _problems(context, text)
        data = tomllib.loads(text) if not problems else {}
        return context.render(
            "setup.html",
            parts=PARTS if data else (),
            data=data,
            problems=problems,
            room_in_force=force.room(text),
            owners=any(user.owner for user in context.store().users()),
        )

    @app.route("/setup/<table>/<which>", methods=["GET", "POST"])
    def setup_entry(table: str, which: str) -> Any:
        place = _place(context, table, which)
        if request.method == "GET":
            return _form(context, place, {one.key: shown_of(one, place.entry) for one in place.part.fields}, [])
        return _act(context, place, request.form.get("act", "save"))

    @app.post("/setup/start-anew")
    def start_anew() -> Any:
        problems = _problems(context, read_room(_home(context)))
        if problems:
            context.flash(Flash(f"{ROOM_FILE} has to be mended first: {problems[0]}", good=False))
            return back_to(url_for("setup"))
        note(context, "service started anew", "")
        context.ports.house.start_anew()
        return context.render("anew.html", quiet=True)


def note(context: PageContext, what: str, detail: str) -> None:
    """A line in the audit trail, by whoever asks."""
    who, now = context.person.name if context.person else "", context.ports.now()
    context.ports.write(lambda store: store.add_audit(now, who, what, detail))


def _home(context: PageContext) -> Any:
    return context.ports.config.path


def _problems(context: PageContext, text: str) -> list[str]:
    """What is wrong with a text for room.toml; where things lie on this machine is no visitor's affair."""
    home = _home(context)
    return [line.replace(f"{home}/", "").replace(str(home), "the home folder") for line in problems_of(text, home)]


def _place(context: PageContext, table: str, which: str) -> Place:
    part = PART.get(table)
    text = read_room(_home(context))
    if part is None or _problems(context, text):
        abort(404, f"no such part of {ROOM_FILE}, or it has to be mended by hand first")
    data = tomllib.loads(text)
    known = [ONLY] if part.single else [NEW, *map(str, range(1, len(data.get(table, [])) + 1))]
    if which not in known:
        abort(404, f"{ROOM_FILE} has no such entry any more")
    return Place(part, text, data, which)


def _act(context: PageContext, place: Place, act: str) -> Any:
    said = {one.key: said_of(one, request.form) for one in place.part.fields}
    if request.form.get("seen") != mark_of(place.text):
        return _form(context, place, said, [CHANGED])
    what, _, rest = act.partition(":")
    if what in ("before", "out"):
        return _form(context, place, {**said, **_rearranged(said, what, rest)}, [], code=200)
    if what == "remove" and not place.part.single and place.which != NEW:
        return _remove(context, place, said)
    try:
        after = place.changed(request.form)
    except SetupError as error:
        return _form(context, place, said, [str(error)])
    if told := _problems(context, after):
        return _form(context, place, said, told)
    return _keep(context, place, after, "changed" if place.which != NEW else "added")


def _rearranged(said: Mapping[str, Sequence[str]], what: str, rest: str) -> dict[str, list[str]]:
    """An ordered field with an empty row before one, or without it; rest: `coats:3`, counted from 0."""
    key, _, row = rest.partition(":")
    rows = list(said.get(key, ()))
    if not row.isdecimal() or int(row) >= len(rows):
        return {}
    at = int(row)
    return {key: [*rows[:at], *([""] if what == "before" else []), *rows[at + (what == "out") :]]}


def _remove(context: PageContext, place: Place, said: Mapping[str, Sequence[str]]) -> Any:
    if hanging := _hanging(context, place):
        told = f"{', '.join(hanging)} hang in the room with it: move them, or let them finish, before it is taken out"
        return _form(context, place, said, [told])
    after = remove_entry(place.text, place.part.table, int(place.which))
    if told_all := _problems(context, after):
        return _form(context, place, said, told_all)
    return _keep(context, place, after, "taken out")


def _hanging(context: PageContext, place: Place) -> list[str]:
    """Trees in the room that go by this entry."""
    name = place.entry.get("name")
    about = {"rack": "rack", "coat": "coat", "recipe": "recipe"}.get(place.part.table)
    trees = context.look().trees if about else ()
    return [tree.called for tree in trees if getattr(tree.verdict, str(about)) == name]


def _keep(context: PageContext, place: Place, after: str, done: str) -> Any:
    called = place.part.called(place.entry) if place.which not in (NEW, ONLY) else ""
    about = f"{place.part.one}{f' {called}' if called else ''}"
    if after == place.text:
        context.flash(Flash(f"{about}: nothing was different; nothing was changed"))
        return back_to(url_for("setup"))
    try:
        context.ports.house.keep_room(place.text, after)
    except SetupError as error:
        context.flash(Flash(str(error), good=False))
        return back_to(url_for("setup"))
    note(context, f"{ROOM_FILE} {done}", about)
    context.flash(Flash(f"{about} {done} in {ROOM_FILE}; it takes force when the service starts anew"))
    return back_to(url_for("setup"))


def _form(
    context: PageContext, place: Place, said: Mapping[str, Sequence[str]], told: Sequence[str], code: int = BROKEN
) -> Response:
    part = place.part
    beside, left = problems_by_field(part, place.number, told)
    shown = [
        Shown(one, said[one.key], part.range_of(one), options_of(one, place.data), beside.get(one.key, ""))
        for one in part.fields
    ]
    page = context.render(
        "setup_entry.html",
        part=part,
        place=place,
        shown=shown,
        left=left,
        mark=mark_of(place.text),
        basis=coat_basis(context, str(place.entry["name"])) if part.table == "coat" and place.entry else None,
        heard=_heard(context, place),
    )
    return make_response(page, code if told else 200)


def _heard(context: PageContext, place: Place) -> list[Any]:
    """The sensors whose readings may count at a rack."""
    if place.part.table != "rack" or not place.entry:
        return []
    rack = context.room.rack_by_name.get(str(place.entry["name"]))
    places = rack.places if rack else ()
    return [one for one in sensors(context.store(), context.room, context.words().now) if one.place in places]
