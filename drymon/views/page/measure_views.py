"""A wet cloth at a rack and a weighed dip, step by step: what was typed so far stands in the page's own address.

So nothing is lost while the cloth dries and the phone sleeps, and nothing is changed before somebody keeps the result.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from flask import Flask, abort, redirect, request, url_for
from werkzeug.datastructures import MultiDict

from drymon.drying.pickup import FLOURS
from drymon.errors import LearningError, SetupError
from drymon.messages.coat_models import load_models
from drymon.messages.times import parse_time, stamp
from drymon.messages.typed import mass_of
from drymon.shop.facts.measured import CLOTH, PICKUP, cloth_name, pickup_name
from drymon.store import Calibration
from drymon.store.decisions import keep_calibration
from drymon.views.by_scale import weighed_cloth, weighed_dip
from drymon.views.by_scale.weighed import DUE_DAYS, Told
from drymon.views.page.page_context import Flash, PageContext, back_to

MOST_WEIGHINGS = 12
AGO_MIN = (0, 1, 2, 3, 5, 10, 15, 20, 30, 45, 60)
"""How long ago a weighing may have been, as it is offered."""

Words = dict[str, str]


@dataclass(frozen=True, slots=True)
class Result:
    """What came out, or why nothing did."""

    told: Told | None = None
    problem: str = ""


def add(app: Flask, context: PageContext) -> None:
    """Register these views."""

    @app.get("/rack/<name>/cloth")
    def cloth(name: str) -> Any:
        return _cloth(context, _known(name, context.room.rack_by_name, "rack"))

    @app.post("/rack/<name>/cloth")
    def keep_cloth(name: str) -> Any:
        rack = _known(name, context.room.rack_by_name, "rack")
        return _keep(context, CLOTH, url_for("rack", name=rack), lambda: _told_of_cloth(context, rack, request.form))

    @app.get("/coat/<name>/pickup")
    def pickup(name: str) -> Any:
        return _pickup(context, _known(name, context.room.coat_by_name, "coat"))

    @app.post("/coat/<name>/pickup")
    def keep_pickup(name: str) -> Any:
        coat = _known(name, context.room.coat_by_name, "coat")
        return _keep(context, PICKUP, url_for("coat", name=coat), lambda: _told_of_dip(context, coat, request.form))


def _known(name: str, there: Mapping[str, object], what: str) -> str:
    if name not in there:
        abort(404, f"no {what} {name[:60]!r} in this room; there are {', '.join(there)}")
    return name


def _cloth(context: PageContext, rack: str) -> Any:
    words, problem = _words(weighed_cloth.WORDS), ""
    weighings = _weighings(request.args)
    if request.args.get("mass", "").strip():
        try:
            weighings.append((_weighed_at(context), _mass()))
        except LearningError as error:
            problem = str(error)
        else:
            return redirect(_address(rack, words, weighings), 303)
    found = Result() if problem or len(weighings) < 2 else _tried(lambda: _told_of_cloth(context, rack, request.args))
    return context.render(
        "cloth.html",
        rack=context.room.rack_by_name[rack],
        how=weighed_cloth.HOW,
        said=words,
        weighings=[(time, mass, _as_word((time, mass))) for time, mass in weighings],
        fewer=_address(rack, words, weighings[:-1]),
        ago=AGO_MIN,
        found=found,
        problem=problem or found.problem,
        standing=_standing(context, [cloth_name(rack, fans_off) for fans_off in (False, True)], CLOTH),
        full=len(weighings) >= MOST_WEIGHINGS,
    )


def _pickup(context: PageContext, coat: str) -> Any:
    words = _words(weighed_dip.WORDS)
    found = (
        _tried(lambda: _told_of_dip(context, coat, request.args)) if words["before"] and words["after"] else Result()
    )
    return context.render(
        "pickup.html",
        kind=context.room.coat_by_name[coat],
        how=weighed_dip.HOW,
        said=words,
        flours=list(FLOURS),
        found=found,
        problem=found.problem,
        standing=_standing(context, [pickup_name(coat)], PICKUP),
    )


def _address(rack: str, words: Words, weighings: Sequence[tuple[datetime, str]]) -> str:
    """Of the page with all that was said so far."""
    said: dict[str, Any] = {name: text for name, text in words.items() if text}
    return url_for("cloth", name=rack, **said, w=[_as_word(one) for one in weighings])


def _words(names: Sequence[str]) -> Words:
    return {name: request.args.get(name, "").strip()[:40] for name in names}


def _tried(tell: Callable[[], Told]) -> Result:
    try:
        return Result(tell())
    except (LearningError, SetupError) as error:
        return Result(problem=str(error))


def _told_of_cloth(context: PageContext, rack: str, form: MultiDict[str, str]) -> Told:
    entry = weighed_cloth.entry_of(rack, form, _weighings(form))
    return weighed_cloth.weighed_cloth(context.store(), context.room, load_models(context.ports.config.path), entry)


def _told_of_dip(context: PageContext, coat: str, form: Mapping[str, str]) -> Told:
    entry = weighed_dip.entry_of(context.room, coat, form)
    return weighed_dip.weighed_dip(context.store(), context.room, load_models(context.ports.config.path), entry)


def _weighed_at(context: PageContext) -> datetime:
    text = request.args.get("ago", "0")
    if not text.isdecimal() or int(text) not in AGO_MIN:
        raise LearningError(f"minutes ago: received {text[:20]!r}; allowed are {', '.join(map(str, AGO_MIN))}")
    return context.ports.now().replace(microsecond=0) - timedelta(minutes=int(text))


def _mass() -> str:
    mass = f"{request.args['mass'].strip()[:20]} {request.args.get('unit', 'g').strip()[:5]}"
    mass_of(mass)
    return mass


def _weighings(form: MultiDict[str, str]) -> list[tuple[datetime, str]]:
    """The weighings that the address or the form carries; what is none of them is left out: nobody typed it."""
    found = []
    for word in form.getlist("w")[:MOST_WEIGHINGS]:
        time, _, mass = word.partition("=")
        try:
            mass_of(mass)
            found.append((parse_time(time), mass))
        except (LearningError, ValueError):
            continue
    return found


def _as_word(weighing: tuple[datetime, str]) -> str:
    return f"{stamp(weighing[0])}={weighing[1]}"


def _standing(context: PageContext, names: Sequence[str], kind: str) -> list[Calibration]:
    return [one for name in names for one in context.store().calibrations(name, kind)[-1:]]


def _keep(context: PageContext, kind: str, back: str, tell: Callable[[], Told]) -> Any:
    """Keep what comes out of the form, or take the newest of its kind back, by somebody who is signed in."""
    person, now = context.person, context.ports.now()
    assert person is not None  # the guard lets nobody else change anything
    try:
        taking = request.form.get("act") == "take-back"
        wanted = _taken_back(kind, person.name) if taking else _wanted(tell(), now)
        detail = str(wanted["sensor"]) if taking else str(wanted["document"]["verdict"])
        said = context.ports.write(lambda store: keep_calibration(store, wanted, now))
        what = f"took a {kind} back" if taking else f"kept a {kind}"
        context.ports.write(lambda store: store.add_audit(now, person.name, what, detail))
    except (LearningError, SetupError) as error:
        context.flash(Flash(f"{error}. Nothing was kept", good=False))
        return back_to(request.form.get("back") or back)
    context.flash(Flash(said if taking else f"Kept: {detail}; {said}"))
    return back_to(back)


def _wanted(told: Told, now: datetime) -> dict[str, Any]:
    """What is to be kept; strange results only where the form insists on that very one."""
    if told.document is None:
        raise LearningError(told.lines[-1])
    if told.strange and request.form.get("sure") != told.verdict:
        raise LearningError("; ".join(told.strange))
    return told.wanted((now + timedelta(days=DUE_DAYS[told.kind])).date().isoformat())


def _taken_back(kind: str, by: str) -> dict[str, Any]:
    return {"act": "take-back", "sensor": request.form.get("sensor", ""), "kind": kind, "by": by}
