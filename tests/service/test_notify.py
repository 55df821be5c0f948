"""Telling people, against real mail and webhook servers on loopback that fail, hang and answer twice."""

import base64
import hashlib
import hmac
import json
import re
import shutil
import ssl
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from pathlib import Path

import pytest

from drymon.errors import SetupError
from drymon.messages.settings import Apprise, HomeConfig, Mail, MailServer, Notify, Webhook
from drymon.service.clock import SystemClock
from drymon.service.notify.by_webhook import signature, signing_key
from drymon.service.notify.notifier import GIVEN_UP_AFTER, Notifier, Teller
from drymon.shop.alarms.alarm_book import Condition, Truth
from drymon.shop.facts.outcome import Alert
from drymon.shop.facts.setup import RoomSetup
from drymon.store.store import Store
from tests.service.conftest import until
from tests.service.notify_servers import Hook, MailBox, hook_server, mail_server

NOW = datetime(2031, 3, 3, 6, tzinfo=UTC)
SECRET = "whsec_" + base64.b64encode(b"a key of the shop's own making!!").decode()


def alert(kind: str = "tree-hold", subject: str = "t-7", state: str = "raised", at: datetime = NOW) -> Alert:
    severity = {"tree-hold": "danger", "rack-ready": "notice", "tree-ready": "notice"}.get(kind, "warning")
    return Alert(at, f"{kind}:{subject}:x", kind, subject, severity, state, f"{kind} of {subject}. Look.")


class PageContext:
    """A home's outbox and its sender, with time in the test's hand."""

    def __init__(self, folder: Path, notify: Notify) -> None:
        self.config = HomeConfig(folder, RoomSetup("shop", timezone="Europe/Berlin"), notify=notify)
        self.store = Store.open(folder / "drymon.db", now=NOW)
        self.reported: list[Condition] = []
        self.notifier = self.sender()

    def sender(self) -> Notifier:
        return Notifier(self.config, lambda work: work(self.store), self.reported.extend, SystemClock(), 0.5)

    def tell(self, *alerts: Alert) -> None:
        with self.store.transaction():
            Teller(self.config)(self.store, alerts)

    def run(self, start: datetime = NOW, minutes: int = 10) -> int:
        """The sender's turns over some minutes."""
        turns = (start + timedelta(seconds=s) for s in range(0, minutes * 60 + 1, 5))
        return sum(self.notifier.turn(now) for now in turns)

    def truths(self) -> list[Truth]:
        return [condition.truth for condition in self.reported]


@pytest.fixture
def home(tmp_path: Path) -> Path:
    (tmp_path / "hook.secret").write_text(SECRET + "\n")
    (tmp_path / "mail.password").write_text("open sesame\n")
    return tmp_path


def by_mail(box: MailBox, *to: str, **server: object) -> Notify:
    given = {"tls": "none", "sender": "drymon@shop.example", **server}
    return Notify(
        mail_server=MailServer(host="127.0.0.1", port=box.port, **given),
        mails=(Mail(to=to or ("kim@shop.example",)),),
    )


def by_hook(hook: Hook, home: Path) -> Notify:
    return Notify(webhooks=(Webhook(url=hook.url, secret_file=home / "hook.secret"),))


@pytest.mark.parametrize("moods", [["busy"], ["full", "busy"], ["hang"], ["drop"], ["busy", "hang", "drop"]])
def test_one_mail_arrives_whatever_the_server_does(home: Path, moods: list[str]) -> None:
    with mail_server(moods=list(moods)) as box:
        desk = PageContext(home, by_mail(box))
        desk.tell(alert())
        assert desk.run() == 1
        assert len(box.arrived()) == 1
        assert not box.moods
        assert not desk.store.notices()


@pytest.mark.parametrize(
    "moods", [[503], ["lost", 302], ["hang"], ["drop"], ["twice"], [503, "hang", "drop", "twice"]], ids=str
)
def test_one_event_arrives_whatever_the_receiver_does(home: Path, moods: list[int | str]) -> None:
    with hook_server(list(moods)) as hook:
        desk = PageContext(home, by_hook(hook, home))
        desk.tell(alert())
        assert desk.run() == 1
        assert len(hook.arrived()) == 1
        assert not hook.moods
        assert not desk.store.notices()


def test_a_crash_between_delivery_and_note_repeats_the_same_identity(home: Path) -> None:
    """The sender dies after the server took the letter: the next one sends the same Message-ID again."""
    with mail_server() as box:
        desk = PageContext(home, by_mail(box))
        desk.tell(alert())
        noted = desk.store.notice_delivered
        desk.store.notice_delivered = lambda *_: (_ for _ in ()).throw(RuntimeError("power cut"))  # type: ignore[method-assign]
        with pytest.raises(RuntimeError, match="power cut"):
            desk.notifier.turn(NOW)
        desk.store.notice_delivered = noted  # type: ignore[method-assign]
        desk.notifier = desk.sender()
        assert desk.run(NOW + timedelta(minutes=1)) == 1
        assert len(box.taken) == 2
        assert len(box.arrived()) == 1


def test_the_same_alert_queued_twice_is_one_letter(home: Path) -> None:
    with mail_server() as box:
        desk = PageContext(home, by_mail(box))
        desk.tell(alert())
        desk.tell(alert())
        assert desk.run() == 1
        assert len(box.taken) == 1


def test_alerts_of_one_instant_are_one_mail_but_an_event_each(home: Path) -> None:
    trees = [alert(subject=f"t-{n}") for n in range(40)]
    with mail_server() as box, hook_server() as hook:
        desk = PageContext(home, by_mail(box))
        desk.tell(*trees)
        desk.run(minutes=1)
        assert len(box.taken) == 1
        assert all(f"tree-hold of t-{n}." in box.taken[0].get_content() for n in range(40))
        desk.store.close()
        (home / "drymon.db").unlink()
        other = PageContext(home, by_hook(hook, home))
        other.tell(*trees)
        other.run(minutes=1)
        assert len(hook.arrived()) == 40


def test_a_webhook_is_a_cloudevent_signed_for_its_receiver(home: Path) -> None:
    """CloudEvents 1.0.2, sections "Required Attributes" and "JSON Event Format"; signature checked by hand."""
    with hook_server() as hook:
        desk = PageContext(home, by_hook(hook, home))
        desk.tell(alert("sensor-silent", "rack-a"))
        desk.run(minutes=1)
        headers, body = hook.got[0]
    event = json.loads(body)
    assert headers["content-type"].startswith("application/cloudevents+json")
    assert {"specversion", "id", "source", "type"} <= set(event)
    assert event["specversion"] == "1.0"
    assert all(re.fullmatch(r"[a-z0-9]{1,20}", name) for name in event), "attribute names: lower case and digits"
    assert event["data"]["kind"] == "sensor-silent"
    assert headers["webhook-id"] == event["id"]
    signed = f"{headers['webhook-id']}.{headers['webhook-timestamp']}.".encode() + body
    digest = hmac.new(b"a key of the shop's own making!!", signed, hashlib.sha256).digest()
    assert headers["webhook-signature"] == "v1," + base64.b64encode(digest).decode()


def test_the_signature_is_that_of_the_open_specification() -> None:
    """Standard Webhooks (github.com/standard-webhooks/standard-webhooks): "sign function works" in the tests of its own
    library, libraries/javascript/src/webhook.test.ts."""
    key = signing_key("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
    headers = signature(key, "msg_p5jXN8AQM9LWM0D4loKWxJek", 1614265330, b'{"test": 2432232314}')
    assert headers["webhook-signature"] == "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="


def test_a_secret_that_is_no_base64_says_so() -> None:
    with pytest.raises(SetupError, match="base64"):
        signing_key("whsec_???")


def test_the_mail_has_what_a_mail_needs(home: Path) -> None:
    """RFC 5322 section 3.6 (Date, From, Message-ID), RFC 3834 (Auto-Submitted)."""
    with mail_server() as box:
        desk = PageContext(home, by_mail(box))
        desk.tell(alert(subject="t-7\r\nBcc: all@shop.example"))
        desk.run(minutes=1)
        mail = box.taken[0]
    assert mail["Bcc"] is None
    assert mail["Subject"].startswith("[shop] tree-hold t-7")
    assert mail["Auto-Submitted"] == "auto-generated"
    assert re.fullmatch(r"<[^@\s<>]+@shop\.example>", mail["Message-ID"])
    assert mail["Date"].datetime == NOW


def test_one_refused_reader_costs_the_others_nothing(home: Path) -> None:
    with mail_server(refuse="gone@") as box:
        desk = PageContext(home, by_mail(box, "gone@shop.example", "kim@shop.example"))
        desk.tell(alert())
        assert desk.run(minutes=30) == 1
        assert [mail["To"] for mail in box.taken] == ["kim@shop.example"]
        assert "no such person" in desk.store.notices()[0].error
        assert desk.reported[-1].key.subject == "mail-1.1"


def test_a_letter_that_nobody_takes_does_not_hold_up_its_way(home: Path) -> None:
    with mail_server(moods=["busy"] * 3) as box:
        desk = PageContext(home, by_mail(box))
        desk.tell(alert(subject="t-1"))
        desk.notifier.turn(NOW)
        box.moods[:] = []
        desk.tell(alert(subject="t-2", at=NOW + timedelta(seconds=5)))
        desk.run(NOW + timedelta(seconds=5), minutes=0)
        assert not box.taken, "the way rests after a failure"
        desk.run(NOW + timedelta(seconds=15), minutes=0)
        assert [mail["Subject"].split()[2] for mail in box.taken] == ["t-2"]


def test_missed_deliveries_raise_notify_failed_until_one_arrives(home: Path) -> None:
    with hook_server([503] * 6) as hook:
        desk = PageContext(home, by_hook(hook, home))
        desk.tell(alert())
        desk.run(minutes=1)
        assert Truth.HOLDS not in desk.truths(), "one hiccup is no alarm"
        desk.run(NOW + timedelta(minutes=1), minutes=60)
    assert desk.truths()[-1] is Truth.CLEAR
    held = [condition for condition in desk.reported if condition.truth is Truth.HOLDS]
    assert held[0].key[:2] == ("notify-failed", "webhook-1")
    assert "503" in held[0].what


@pytest.mark.parametrize(("failures", "alarms"), [(2, 0), (3, 1)])
def test_three_failures_in_a_row_are_an_alarm(home: Path, failures: int, alarms: int) -> None:
    """As docs/alarms.md says."""
    with hook_server([503] * failures) as hook:
        desk = PageContext(home, by_hook(hook, home))
        desk.tell(alert())
        desk.run(minutes=60)
        assert len(hook.arrived()) == 1
    assert desk.truths().count(Truth.HOLDS) == alarms


def test_tries_become_ever_more_seldom(home: Path) -> None:
    with hook_server([503] * 500) as hook:
        desk = PageContext(home, by_hook(hook, home))
        desk.tell(alert())
        desk.run(minutes=120)
        tries = 500 - len(hook.moods)
    assert 5 <= tries <= 15


def test_old_news_is_given_up_and_kept_with_its_error(home: Path) -> None:
    with hook_server([503] * 500) as hook:
        desk = PageContext(home, by_hook(hook, home))
        desk.tell(alert())
        desk.notifier.turn(NOW)
        hook.moods[:] = []
        desk.notifier.turn(NOW + GIVEN_UP_AFTER + timedelta(minutes=1))
        desk.notifier.turn(NOW + GIVEN_UP_AFTER + timedelta(days=30))
        assert not hook.got
    assert "503" in desk.store.notices()[0].error


def test_a_failing_way_is_not_told_of_its_own_failure(home: Path) -> None:
    with mail_server() as box, hook_server() as hook:
        both = Notify(by_mail(box).mail_server, by_mail(box).mails, by_hook(hook, home).webhooks)
        desk = PageContext(home, both)
        desk.tell(alert("notify-failed", "webhook-1"))
        desk.run(minutes=1)
        assert len(box.taken) == 1
        assert not hook.got


@pytest.mark.parametrize(
    ("mail", "kind", "state", "told"),
    [
        ({}, "rack-ready", "raised", True),
        ({}, "tree-ready", "raised", False),
        ({}, "air-out-of-band", "raised", True),
        ({}, "rack-ready", "cleared", False),
        ({}, "air-out-of-band", "cleared", True),
        ({"least_severity": "danger"}, "air-out-of-band", "raised", False),
        ({"least_severity": "notice"}, "tree-ready", "raised", True),
        ({"kinds": ("tree-ready",)}, "tree-ready", "raised", True),
        ({"kinds": ("tree-ready",)}, "tree-hold", "raised", False),
    ],
)
def test_who_gets_what(home: Path, mail: dict[str, object], kind: str, state: str, told: bool) -> None:
    with mail_server() as box:
        server = by_mail(box).mail_server
        wanted = Mail(to=("kim@shop.example",), **mail)
        desk = PageContext(home, Notify(mail_server=server, mails=(wanted,)))
        desk.tell(alert(kind, state=state))
        desk.run(minutes=0)
        assert len(box.taken) == int(told)


def test_a_sign_of_life_a_day_at_the_rooms_own_time(home: Path) -> None:
    """Berlin is at UTC+1 in winter: 07:30 there is 06:30 UTC."""
    with mail_server() as box:
        notify = Notify(by_mail(box).mail_server, by_mail(box).mails, daily_sign_of_life=time(7, 30))
        desk = PageContext(home, notify)
        desk.run(NOW, minutes=29)
        assert not box.taken
        for hours in range(1, 48):
            desk.notifier.turn(NOW + timedelta(hours=hours))
        desk.notifier = desk.sender()  # a restart says it no second time
        desk.notifier.turn(NOW + timedelta(hours=47))
        assert len(box.taken) == 2
        assert "sign of life" in box.taken[0]["Subject"]


def test_a_sign_of_life_is_of_the_moment_it_was_due_and_is_the_same_one_after_a_restart(home: Path) -> None:
    with hook_server([503]) as hook:
        told = replace(by_hook(hook, home), daily_sign_of_life=time(7, 30))
        desk = PageContext(home, told)
        for seconds in (7.25, 400.0):
            desk.notifier = desk.sender()
            desk.notifier.turn(NOW.replace(hour=6, minute=30) + timedelta(seconds=seconds))
        (event,) = {body for _, body in hook.got}
        assert json.loads(event)["time"] == f"{NOW:%Y-%m-%d}T06:30:00Z"


@pytest.fixture
def certificate(tmp_path: Path) -> Path:
    if shutil.which("openssl") is None:
        pytest.skip("openssl is needed")
    words = ["req", "-x509", "-newkey", "rsa:2048", "-nodes", "-keyout", "key.pem", "-out", "cert.pem", "-days", "2"]
    name = ["-subj", "/CN=shop", "-addext", "subjectAltName=IP:127.0.0.1"]
    subprocess.run(["openssl", *words, *name], cwd=tmp_path, check=True, capture_output=True)
    return tmp_path


@pytest.fixture
def tls_box(certificate: Path) -> Iterator[MailBox]:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate / "cert.pem", certificate / "key.pem")
    with mail_server(tls=context) as box:
        yield box


def test_mail_is_encrypted_and_signed_in(
    home: Path, certificate: Path, tls_box: MailBox, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SSL_CERT_FILE", str(certificate / "cert.pem"))  # the machine trusts this authority
    login = {"username": "drymon", "password_file": home / "mail.password"}
    desk = PageContext(home, by_mail(tls_box, tls="starttls", **login))
    desk.tell(alert())
    assert desk.run(minutes=1) == 1
    assert tls_box.encrypted == [True]
    assert base64.b64decode(tls_box.logins[0]) == b"\0drymon\0open sesame"  # RFC 4616, PLAIN


def test_mail_to_a_server_that_cannot_prove_its_name_is_not_sent(home: Path, tls_box: MailBox) -> None:
    login = {"username": "drymon", "password_file": home / "mail.password"}
    desk = PageContext(home, by_mail(tls_box, tls="starttls", **login))
    desk.tell(alert())
    assert desk.run(minutes=1) == 0
    assert not tls_box.taken
    assert not tls_box.logins
    assert "CERTIFICATE_VERIFY_FAILED" in desk.store.notices()[0].error


def test_mail_is_not_sent_in_the_clear_where_encryption_was_asked_for(home: Path) -> None:
    with mail_server() as box:
        desk = PageContext(home, by_mail(box, tls="starttls"))
        desk.tell(alert())
        assert desk.run(minutes=1) == 0
        assert not box.taken


def test_apprise_in_a_child_process(home: Path) -> None:
    """The library's own JSON address, against a receiver here."""
    pytest.importorskip("apprise")
    with hook_server() as hook:
        address = hook.url.replace("http://", "json://")
        (home / "urls").write_text(f"# who\n{address}\n\nnosuch://x\n")
        desk = PageContext(home, Notify(apprises=(Apprise(urls_file=home / "urls"),)))
        desk.notifier.patience_s = 20
        desk.tell(alert())
        desk.run(minutes=0)
        assert [json.loads(body)["message"].split(".")[0] for _, body in hook.got] == ["tree-hold of t-7"]
    left = desk.store.notices()
    assert [notice.channel for notice in left] == ["apprise-1.2"]
    assert "does not know" in left[0].error


def test_the_service_itself_does_not_load_apprise() -> None:
    code = "import sys, drymon.service.notify.notifier; print('apprise' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_a_server_that_drips_keeps_no_other_way_waiting_and_its_letter_is_tried_again(
    home: Path, caplog: pytest.LogCaptureFixture
) -> None:
    with mail_server() as box, hook_server(["drip"]) as hook:
        desk = PageContext(home, replace(by_mail(box), webhooks=by_hook(hook, home).webhooks))
        desk.notifier = Notifier(
            desk.config, lambda work: work(desk.store), desk.reported.extend, SystemClock(), 0.5, 3
        )

        def mails(count: int, now: datetime) -> bool:
            desk.notifier.go_on(now)
            return len(box.taken) == count

        desk.tell(alert())
        assert until(lambda: mails(1, NOW))
        later = NOW + timedelta(seconds=1)
        desk.tell(alert("sensor-silent", "rack-a", at=later))
        assert until(lambda: mails(2, later))
        assert len(hook.got) == 1, "the first letter of that way is under way still"
        desk.run(later, minutes=2)
        assert "no answer in full within 3 s" in caplog.text
        assert len(hook.arrived()) == 2
        assert not desk.store.notices()
