"""The pages to look at: the room, a tree, a rack, the log."""

from datetime import timedelta
from functools import partial
from typing import Any
from zoneinfo import ZoneInfo

from flask import Flask, Response, abort, redirect, request, url_for

from drymon.messages.names import NAME_RULE, is_name, label_of, name_of
from drymon.messages.times import stamp
from drymon.readback.thick_words import dipped_words
from drymon.shop.facts.events import SHELTERS, ClockChecked, Dip, Event, TreeEvent
from drymon.shop.facts.outcome import PlannedDip, State
from drymon.shop.facts.standing import Said, judged
from drymon.shop.facts.tank_log import TankLog
from drymon.views import by_hand
from drymon.views.day_sheet import day_sheet
from drymon.views.page.day_view import day
from drymon.views.page.evidence_views import coat_basis
from drymon.views.page.guard import ALONE
from drymon.views.page.page_context import PageContext
from drymon.views.page.room_view import TreeView
from drymon.views.page.tree_view import tree_record
from drymon.views.page.words import SHELTER_WORDS
from drymon.views.plan_words import coat_called, rack_called

LONGEST_CHART_H = 72  # beyond, the psychrometric chart's path runs over itself and tells nothing
SPANS = {"6 h": 6, "1 day": 24, "3 days": 72, "2 weeks": 336, "3 months": 2184, "1 year": 8760}
SHEET_REACHES = timedelta(days=7)
LOG_SHOWN = timedelta(days=7)
MOST_LINES = 200


def add(app: Flask, context: PageContext) -> None:
    """Register these views; a `part` is what a page shows anew while it is looked at."""
    _add_room(app, context)
    _add_trees(app, context)
    _add_racks(app, context)


def _add_room(app: Flask, context: PageContext) -> None:
    @app.get("/")
    def room() -> Any:
        only = _only()
        poll = url_for("room_part", state=only.value if only else None)
        return context.render("room.html", view=context.look(), only=only, **_day(context), poll=poll)

    @app.get("/part/room")
    def room_part() -> Any:
        return context.fragment("_room.html", view=context.look(), only=_only(), **_day(context))

    @app.get("/plan")
    def plan_sheet() -> Any:
        plan = context.store().current_plan()
        now = context.words().now
        if plan is None or now > plan.valid_until:
            abort(404, "there is no plan that holds now; it comes with the first tree of a recipe")
        sheet = day_sheet(plan, context.room, ZoneInfo(context.room.timezone), plan.time + SHEET_REACHES)
        return Response(sheet, headers={"Cache-Control": "no-store", **ALONE})

    @app.get("/part/clock")
    def clock() -> Any:
        return context.fragment("_clock.html")

    @app.get("/log")
    def log() -> Any:
        return context.render("log.html", lines=_log_lines(context))


def _only() -> State | None:
    """The state whose trees alone are to be seen; None: all."""
    asked = request.args.get("state", "")
    return State(asked) if asked in set(State) else None


def _planned(context: PageContext, name: str) -> PlannedDip | None:
    """The tree's next dip, of a plan that holds now."""
    told = day(context.store().current_plan(), context.look(), context.words().now)
    return next((dip for dip in (*told.now, *told.soon, *told.later) if dip.tree == name), None)


def _day(context: PageContext) -> dict[str, Any]:
    """What the panel of coming dips needs."""
    return {
        "day": day(context.store().current_plan(), context.look(), context.words().now),
        "coat_label": partial(coat_called, context.room),
        "rack_label": partial(rack_called, context.room),
    }


def _log_lines(context: PageContext) -> list[tuple[Event, Said[Any] | None, str]]:
    """The newest first: what was said, of a tree or tank whether it stands, and under which coat this page shows it."""
    store = context.store()
    events = [one for one in store.events(context.words().now - LOG_SHOWN) if not isinstance(one, ClockChecked)]
    newest = events[::-1][:MOST_LINES]
    taken: dict[float, Said[Any]] = {}
    for tree in {one.tree for one in newest if isinstance(one, TreeEvent)}:
        own: list[TreeEvent] = [
            one for one in store.events(tree=tree) if isinstance(one, TreeEvent)
        ]  # all: what took it back, too
        taken |= {said.event.place: said for said in judged(own)}
    said = list(store.tank_events())
    for name in {one.slurry for one in said}:
        taken |= {each.event.place: each for each in judged([one for one in said if one.slurry == name])}
    hangs = {tree.verdict.tree: stamp(tree.verdict.dipped_at) for tree in context.look().trees}
    return [(one, taken.get(one.place), hangs.get(getattr(one, "tree", ""), "")) for one in newest]


def _add_trees(app: Flask, context: PageContext) -> None:
    @app.get("/tree/<name>")
    def tree(name: str) -> Any:
        _check_name(name)
        return _tree_page(context, name)

    @app.get("/part/tree/<name>")
    def tree_part(name: str) -> Any:
        view = context.look().tree(name)
        return (
            context.fragment("_tag.html", tree=view, alone=True) if view else abort(404, f"no tree {name} hangs here")
        )

    @app.get("/new")
    def new() -> Any:
        name = request.args.get("tree", "").strip()
        try:
            return redirect(url_for("tree", name=name_of(name), label=label_of(name) or None), 303)
        except ValueError as error:
            return _new_page(context, name, str(error) if name else "")


def _add_racks(app: Flask, context: PageContext) -> None:
    @app.get("/rack/<name>")
    def rack(name: str) -> Any:
        view = context.look().rack(name)
        if view is None:
            abort(404, f"no rack {name[:60]!r} in this room; racks: {', '.join(context.room.rack_by_name)}")
        hours = request.args.get("hours", 24, type=int)
        hours = hours if hours in SPANS.values() else 24
        poll = url_for("rack_part", name=name)
        return context.render("rack.html", view=view, spans=SPANS, hours=hours, chart_hours=LONGEST_CHART_H, poll=poll)

    @app.get("/part/rack/<name>")
    def rack_part(name: str) -> Any:
        view = context.look().rack(name)
        return context.fragment("_rack.html", rack=view, alone=True) if view else abort(404)


def _check_name(name: str) -> None:
    if not is_name(name):
        abort(404, f"tree: received {name[:60]!r}; allowed are {NAME_RULE}")


def _tree_page(context: PageContext, name: str) -> Any:
    view = context.look().tree(name)
    record = tree_record(context.store(), context.room, name, context.words().now)
    return context.render(
        "tree.html",
        name=name,
        label=_label(view, name),
        tree=view,
        record=record,
        early=by_hand.early(view.verdict if view else None),
        slurry=_tank_told(context, view),
        dipped_in=_dipped_in(context, record.coats[0].dip) if view and record.coats else "",
        shelters=SHELTERS,
        shelter_words=SHELTER_WORDS,
        planned=_planned(context, name),
        poll=url_for("tree_part", name=name) if view else None,
    )


def _tank_told(context: PageContext, view: TreeView | None) -> str:
    """What is told of the tank of the coat to come."""
    if view is None or view.verdict.next_coat is None:
        return ""
    return by_hand.tank_told(context.store(), context.room, view.verdict.next_coat, context.words().now)


def _dipped_in(context: PageContext, dip: Dip) -> str:
    """What the slurry of the coat on top was taken to do to its water, "" where no cup tells of it."""
    slurry = TankLog(context.store().tank_events()).thickness(context.room, dip)
    basis = coat_basis(context, dip.coat) if slurry is not None else None
    return dipped_words(slurry, basis.model.slurry_power) if slurry is not None and basis is not None else ""


def _label(view: TreeView | None, name: str) -> str:
    """What people call the tree; of one that hangs nowhere yet what was just written, if it makes this name."""
    written = view.verdict.label if view else request.args.get("label", "")
    try:
        return written if view or name_of(written) == name else ""
    except ValueError:
        return ""


def _new_page(context: PageContext, name: str, problem: str) -> Any:
    return context.render("new.html", name=name, problem=problem)
