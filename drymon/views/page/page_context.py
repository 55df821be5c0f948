"""What every view of the page begins with: the record, the person, the words, the answer."""

import re
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, cast

from flask import Flask, Response, g, make_response, redirect, render_template, request, url_for

from drymon.store import Readers, Store
from drymon.views.page.access import Access, Person, cookie_of
from drymon.views.page.ports import Ports
from drymon.views.page.room_view import RoomView, look
from drymon.views.page.words import Words

OWN_PATH = re.compile(r"/(?:[^/\\\x00-\x20\x7f][^\\\x00-\x20\x7f]*)?")
"""A path of our own. Browsers take `//`, `/\\` and, for they drop tabs, `/<tab>/` for another host's (WHATWG URL)."""


@dataclass(frozen=True, slots=True)
class Ask:
    """What a person is asked before it is logged: the event, its form with the answer in it, the button's words."""

    event: str
    form: Mapping[str, str]
    yes: str


@dataclass(frozen=True, slots=True)
class Flash:
    """What to tell a person once: `good`, or what went wrong. `undo`: the tree of which `entry` was said, which may be
    taken back; `tank` in its place: the tank.

    each: trees of which one thing was said together, as (tree, what was seen of it, entry): each may be taken back.
    ask: what the person may insist on.
    """

    text: str
    good: bool = True
    undo: str = ""
    seen: str = ""
    entry: str = ""
    tank: str = ""
    each: tuple[tuple[str, str, str], ...] = ()
    ask: Ask | None = None


class PageContext:
    """Shared by all views; its threads only share the flashes."""

    def __init__(self, app: Flask, ports: Ports) -> None:
        self.app, self.ports, self.access = app, ports, Access(ports)
        self.room = ports.config.room
        self._readers = app.extensions["readers"] = Readers(ports.running)
        self._flashes: dict[str, Flash] = {}
        self._lock = threading.Lock()

    def store(self) -> Store:
        """The record, for this request alone until its end."""
        if "store" not in g:
            g.store = self._readers.take(self.ports.database)
        return cast(Store, g.store)

    def close(self) -> None:
        """End of the request."""
        store = g.pop("store", None)
        if store is not None:
            self._readers.give_back(self.ports.database, store)

    @property
    def person(self) -> Person | None:
        """Who asks; None for somebody not signed in."""
        if "person" not in g:
            g.person = self.access.person(self.store(), request.cookies.get(cookie_of(self.room.name)))
        return cast(Person | None, g.person)

    @property
    def may_read(self) -> bool:
        """Whether this request may be told anything of the room."""
        return self.person is not None or self.access.open_to_read(request.host)

    def words(self) -> Words:
        """Times as seen from this request."""
        if "words" not in g:
            g.words = Words(self.ports.now(), self.room.timezone)
        return cast(Words, g.words)

    def look(self) -> RoomView:
        """The room as it is now."""
        if "look" not in g:
            g.look = look(self.store(), self.room, self.words().now)
        return cast(RoomView, g.look)

    def flash(self, flash: Flash) -> None:
        """Tell this person on the next page."""
        if self.person is not None:
            with self._lock:
                if len(self._flashes) > 200:
                    self._flashes.clear()
                self._flashes[self.person.key] = flash

    def render(self, template: str, **values: Any) -> Response:
        """A page, never kept by a cache: it may be wrong a minute later."""
        answer = make_response(render_template(template, **self._common(), **values))
        answer.headers["Cache-Control"] = "no-store"
        return answer

    def fragment(self, template: str, **values: Any) -> Response:
        """The part of a page that is asked for again and again: 304 where nothing has changed."""
        answer = make_response(render_template(template, **self._common(fragment=True), **values))
        answer.add_etag()
        answer.headers["Cache-Control"] = "no-cache"
        answer.headers["X-Room-Clock"] = self.words().clock()
        answer.headers["X-Broker"] = "there" if self.ports.broker_online() else "gone"
        return cast(Response, answer.make_conditional(request))

    def _common(self, fragment: bool = False) -> dict[str, Any]:
        return {
            "room": self.room,
            "person": self.person,
            "can_sign_in": self.person is None and self.access.can_sign_in(self.store()),
            "words": self.words(),
            "flash": None if fragment else self._take_flash(),
            "broker_online": self.ports.broker_online(),
            "alarm_count": self.may_read and len([e for e in self.store().alarm_book().standing() if e.unacknowledged]),
        }

    def _take_flash(self) -> Flash | None:
        if self.person is None:
            return None
        with self._lock:
            return self._flashes.pop(self.person.key, None)


def back_to(target: str | None) -> Response:
    """Back where the person came from, but only to a page of our own."""
    inside = target if target and OWN_PATH.fullmatch(target) else url_for("room")
    answer = cast(Response, redirect(inside, 303))
    answer.headers["Cache-Control"] = "no-store"
    return answer


@contextmanager
def told(context: PageContext, *errors: type[Exception]) -> Iterator[None]:
    """Errors that a person can do something about become what the next page says."""
    try:
        yield
    except errors as error:
        context.flash(Flash(str(error), good=False))
