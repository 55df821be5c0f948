"""Mail: one message over SMTP, encrypted and with the server's name verified unless set up otherwise."""

import smtplib
import ssl
from datetime import datetime
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from hashlib import sha256

from drymon.messages.settings import MailServer, read_secret


def compose(  # noqa: PLR0913, the fields of a mail
    sender: str, to: str, title: str, text: str, key: str, time: datetime, urgent: bool = False
) -> EmailMessage:
    """The message. `key` makes its Message-ID, the same on every try, so that a mail system can drop a second copy."""
    message = EmailMessage(policy=SMTP)
    message["From"] = sender
    message["To"] = to
    message["Subject"] = " ".join(title.split())
    message["Date"] = format_datetime(time)
    message["Message-ID"] = f"<{sha256(key.encode()).hexdigest()[:32]}@{_domain(sender)}>"
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834: keeps holiday replies from answering
    if urgent:
        message["Importance"] = "high"  # RFC 4021, section 2.1.54
    message.set_content(text)
    return message


def send(server: MailServer, message: EmailMessage, timeout_s: float) -> None:
    """Hand it to the server. Raises OSError or smtplib.SMTPException where the server does not take it for all."""
    with _connect(server, timeout_s) as connection:
        if server.username and server.password_file:
            connection.login(server.username, read_secret(server.password_file))
        refused = connection.send_message(message)
    if refused:
        raise smtplib.SMTPRecipientsRefused(refused)


def _connect(server: MailServer, timeout_s: float) -> smtplib.SMTP:
    context = ssl.create_default_context()
    if server.tls == "tls":
        return smtplib.SMTP_SSL(server.host, server.port, timeout=timeout_s, context=context)
    connection = smtplib.SMTP(server.host, server.port, timeout=timeout_s)
    if server.tls == "starttls":
        try:
            connection.starttls(context=context)
        except BaseException:  # raised on: only the connection must not be left open
            connection.close()
            raise
    return connection


def _domain(sender: str) -> str:
    return sender.rpartition("@")[2].strip("<> ")
