"""Addresses of mail in room.toml: what is taken can be written into a letter, so that people can be told."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from drymon.errors import SetupError
from drymon.messages.config import parse_home
from drymon.service.notify.by_mail import compose

ROOM = """
[room]
name = "shop"

[[rack]]
name = "rack-a"

[[coat]]
name = "prime"
family = "prime"

[notify.mail_server]
host = "mail.example.org"
sender = 'SENDER'

[[notify.mail]]
to = ['TO']
"""
FINE = "kim@example.org"


@pytest.mark.parametrize("sender", [
    "drymon@example.org", "drymon@localhost", "first.second+tag@mail.example.org", "Drymon <drymon@example.org>",
    "The shell room <drymon@example.org>", '"Shop, north" <drymon@example.org>', "Gießerei <drymon@example.org>",
])  # fmt: skip
def test_a_sender_that_is_taken_can_be_written_into_a_letter(sender) -> None:
    notify = parse_home(ROOM.replace("SENDER", sender).replace("TO", FINE), Path("home")).notify
    letter = compose(notify.mail_server.sender, FINE, "t", "x", "k", datetime(2031, 3, 3, tzinfo=UTC))
    address = sender.partition("<")[2].rstrip(">") or sender
    assert [one.addr_spec for one in letter["From"].addresses] == [address]
    assert letter["Message-ID"].endswith(f"@{address.partition('@')[2]}>")


BROKEN = (
    "nobody@",
    "@example.org",
    "drymon",
    "a@b@c",
    "kim@example.org, lee@example.org",
    "a b@example.org",
    "a..b@example.org",
    "a.@example.org",
    "a@.example.org",
    "a@example.org.",
    "():@b",
    "a:;@b",
)


@pytest.mark.parametrize(
    "sender", [*BROKEN, "Drymon <drymon@>", "Shop, north <drymon@example.org>", "Drymon <drymon@example.org"]
)
def test_a_sender_that_no_letter_can_have_is_refused(sender) -> None:
    with pytest.raises(SetupError, match=r"notify\.mail_server\.sender: received .*one address of mail, such as"):
        parse_home(ROOM.replace("SENDER", sender).replace("TO", FINE), Path("home"))


@pytest.mark.parametrize("to", [*BROKEN, "Kim <kim@example.org>"])
def test_an_address_that_no_letter_can_go_to_is_refused(to) -> None:
    with pytest.raises(SetupError, match=r"notify\.mail\[1\]\.to\[1\]: received .*one address of mail, such as"):
        parse_home(ROOM.replace("SENDER", FINE).replace("TO", to), Path("home"))
