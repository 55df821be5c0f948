"""Who gets what: alerts become letters, one for each way that somebody is told.

Pure: the letters go into the outbox in the transaction of the alerts that they tell. What hangs together in one
instant is one mail and one message by apprise, but an event of its own for each webhook.
"""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from drymon.messages.outgoing import alert_dict
from drymon.messages.settings import Notify, Route
from drymon.messages.times import stamp
from drymon.shop.facts.outcome import SEVERITIES, Alert

ALWAYS_WANTED = frozenset({"rack-ready"})
"""Told even where only warnings are asked for: it is what people wait for."""


@dataclass(frozen=True, slots=True)
class Way:
    """One way to tell one addressee. `name`: in the outbox and in alarms (mail-1.1, webhook-1, apprise-1.2).

    line: which of the route's addressees. Each has letters of its own: one that fails must not double the others.
    """

    name: str
    route: Route
    line: int = 0


@dataclass(frozen=True, slots=True)
class Letter:
    """A row of the outbox. `key` names the occasion, so that it is queued, and so told, once."""

    way: str
    payload: Mapping[str, Any]
    key: str


def ways(notify: Notify, apprise_lines: Sequence[int] = ()) -> list[Way]:
    """All ways of a room; apprise_lines: how many addresses each of its files has (a letter for each one)."""
    lines = [*apprise_lines, *(1 for _ in notify.apprises[len(apprise_lines) :])]
    return [
        *(Way(f"mail-{n}.{i + 1}", m, i) for n, m in enumerate(notify.mails, 1) for i in range(len(m.to))),
        *(Way(f"webhook-{n}", route) for n, route in enumerate(notify.webhooks, 1)),
        *(
            Way(f"apprise-{n}.{line + 1}", route, line)
            for n, (route, count) in enumerate(zip(notify.apprises, lines, strict=True), 1)
            for line in range(count)
        ),
    ]


def wants(route: Route, alert: Alert) -> bool:
    """Kinds that are named beat the least severity; with none named, rack-ready is told all the same."""
    if route.kinds:
        return alert.kind in route.kinds
    severe = SEVERITIES.index(alert.severity) >= SEVERITIES.index(route.least_severity)
    return severe or alert.kind in ALWAYS_WANTED


def letters(room: str, told: Sequence[Way], alerts: Sequence[Alert]) -> list[Letter]:
    """What the alerts of one instant give for each way. That a way has failed is not told by that way.

    A withdrawn notice is told by webhooks alone: nobody needs mail saying that a rack was dipped.
    """
    made: list[Letter] = []
    for way in told:
        wanted = [a for a in alerts if wants(way.route, a) and (a.kind, a.subject) != ("notify-failed", way.name)]
        if way.name.startswith("webhook"):
            made += [_event_letter(room, way.name, alert) for alert in wanted]
            continue
        wanted = [a for a in wanted if (a.state, a.severity) != ("cleared", "notice")]
        if wanted:
            made.append(_mail_letter(room, way.name, wanted))
    return made


def plain_letter(room: str, way: Way, what: str, title: str, text: str, time: datetime) -> Letter:
    """A letter of the service's own (`what`: test, sign-of-life), one for each `time`."""
    name = f"{what}:{stamp(time)}"
    if way.name.startswith("webhook"):
        data = {"time": stamp(time), "title": title, "text": text}
        return Letter(way.name, _event(room, name, what, stamp(time), "", data), f"{way.name} {name}")
    return Letter(way.name, {"title": f"[{room}] {title}", "text": text}, f"{way.name} {name}")


def _mail_letter(room: str, way: str, alerts: Sequence[Alert]) -> Letter:
    worst = max(alerts, key=lambda alert: SEVERITIES.index(alert.severity))
    more = f" and {len(alerts) - 1} more" if len(alerts) > 1 else ""
    title = f"[{room}] {worst.kind} {worst.subject} {worst.state}{more}"
    text = "\n\n".join(f"{alert.text}\n({alert.kind} {alert.subject}, {alert.state})" for alert in alerts)
    occasion = "\n".join(f"{alert.id} {alert.state} {stamp(alert.time)}" for alert in alerts)
    digest = hashlib.sha256(occasion.encode()).hexdigest()[:32]
    return Letter(way, {"title": title, "text": text, "severity": worst.severity}, f"{way} {digest}")


def _event_letter(room: str, way: str, alert: Alert) -> Letter:
    name = f"{alert.id}/{alert.state}/{stamp(alert.time)}"
    event = _event(room, name, alert.state, stamp(alert.time), alert.subject, alert_dict(alert))
    return Letter(way, event, f"{way} {name}")


def _event(room: str, name: str, what: str, time: str, subject: str, data: Mapping[str, Any]) -> dict[str, Any]:
    """A CloudEvents 1.0 event in the JSON format: the required attributes, then time, subject and data."""
    event = {
        "specversion": "1.0",
        "id": name,
        "source": f"/drymon/{room}",
        "type": f"drymon.alert.{what}" if what in ("raised", "cleared") else f"drymon.{what}",
        "time": time,
        "datacontenttype": "application/json",
        "data": data,
    }
    return {**event, "subject": subject} if subject else event
