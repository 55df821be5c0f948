"""The ways of a home, and one try at delivering by one of them."""

import smtplib
from collections.abc import Mapping
from datetime import datetime
from typing import Any, Protocol
from urllib.parse import urlsplit

from drymon.errors import DrymonError, SetupError
from drymon.messages.settings import Apprise, HomeConfig, Mail, Webhook
from drymon.service.notify import by_apprise as notify_apprise
from drymon.service.notify import by_mail as notify_mail
from drymon.service.notify import by_webhook as notify_webhook
from drymon.service.notify.letters import Way, ways

FAILURES = (OSError, smtplib.SMTPException, DrymonError, ValueError)
"""What a try may raise."""

PATIENCE_S = 30.0


class Sendable(Protocol):
    """What a try needs to know: a notice of the outbox has it."""

    @property
    def payload(self) -> Mapping[str, Any]:
        """What the letter says."""

    @property
    def key(self) -> str:
        """Its occasion: the same on every try."""

    @property
    def created(self) -> datetime:
        """When it was written."""


def ways_of(config: HomeConfig) -> list[Way]:
    """All ways of a home; a file of addresses that cannot be read is one way, which then fails and says why."""
    return ways(config.notify, [_lines(route) for route in config.notify.apprises])


def deliver(config: HomeConfig, way: Way, notice: Sendable, now: datetime, patience_s: float = PATIENCE_S) -> None:
    """One try, waiting at most patience_s for every answer. Raises one of FAILURES where it failed."""
    payload = notice.payload
    match way.route:
        case Mail() as mail:
            _mail(config, mail.to[way.line], notice, patience_s)
        case Webhook() as hook:
            notify_webhook.post(hook, payload, now, patience_s)
        case Apprise() as route:
            notify_apprise.send(route.urls_file, way.line, payload["title"], payload["text"], 3 * patience_s)


def describe(way: Way) -> str:
    """Where it goes, for people; an address may hold secrets, so of a webhook only the host is told."""
    match way.route:
        case Mail(to=to):
            return f"to {to[way.line]}"
        case Webhook(url=url):
            return f"to {urlsplit(url).hostname}"
        case Apprise(urls_file=file):
            return f"address {way.line + 1} in {file.name}"
        case _:
            return "nowhere"


def why(error: BaseException) -> str:
    """A failure in one line."""
    match error:
        case smtplib.SMTPRecipientsRefused(recipients=refused):
            said = "; ".join(f"{to}: {code} {_text(text)}" for to, (code, text) in sorted(refused.items()))
            return f"the mail server refused {said}"
        case smtplib.SMTPResponseException(smtp_code=code, smtp_error=text):
            return f"the mail server answered {code} {_text(text)}"
        case _:
            return " ".join(str(error).split()) or type(error).__name__


def _mail(config: HomeConfig, to: str, notice: Sendable, patience_s: float) -> None:
    server = config.notify.mail_server
    if server is None:
        raise SetupError("[notify.mail_server] is missing in room.toml; mail needs a server to go through")
    title, text = notice.payload["title"], notice.payload["text"]
    urgent = notice.payload.get("severity") == "danger"
    message = notify_mail.compose(server.sender, to, title, text, notice.key, notice.created, urgent)
    notify_mail.send(server, message, patience_s)


def _lines(route: Apprise) -> int:
    try:
        return len(notify_apprise.addresses(route.urls_file))
    except SetupError:
        return 1


def _text(said: bytes | str) -> str:
    return " ".join((said.decode(errors="replace") if isinstance(said, bytes) else said).split())
