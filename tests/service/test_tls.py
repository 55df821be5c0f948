"""TLS with the shop's own authority, and passwords: against mosquitto; certificates made with openssl(1)."""

import shutil
import subprocess
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from drymon.errors import BrokerError, SetupError
from drymon.messages.message import Message
from drymon.messages.settings import Broker
from drymon.service.publisher import publish_once
from tests.service.conftest import Mosquitto, free_port

LEAVE = Message(datetime(2031, 3, 3, tzinfo=UTC), "drymon/shop/log/leave", b'{"tree": "t-7"}', qos=1)


def openssl(folder: Path, *words: str) -> None:
    subprocess.run(["openssl", *words], cwd=folder, check=True, capture_output=True)


def make_authority(folder: Path, host: str) -> None:
    """An authority and a certificate for `host`, as a shop would make them."""
    key = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "30")
    openssl(folder, "req", "-x509", *key, "-keyout", "ca.key", "-out", "ca.crt", "-subj", "/CN=shop authority")
    openssl(folder, "req", *key[:-2], "-keyout", "server.key", "-out", "server.csr", "-subj", f"/CN={host}")
    (folder / "names").write_text(f"subjectAltName=DNS:{host}\n")
    sign = ("-CA", "ca.crt", "-CAkey", "ca.key", "-CAcreateserial", "-days", "30", "-extfile", "names")
    openssl(folder, "x509", "-req", "-in", "server.csr", *sign, "-out", "server.crt")


@pytest.fixture
def secured(tmp_path: Path, mosquitto_here: None) -> Iterator[tuple[Mosquitto, int, Path]]:
    """A broker with a TLS listener and a user "drymon" whose password is "s3cret word"."""
    tool = shutil.which("mosquitto_passwd")
    if tool is None or shutil.which("openssl") is None:
        pytest.skip("mosquitto_passwd and openssl are needed")
    make_authority(tmp_path, "localhost")
    passwords = tmp_path / "passwords"
    subprocess.run([tool, "-c", "-b", str(passwords), "drymon", "s3cret word"], check=True)
    (tmp_path / "broker.password").write_text("s3cret word\n")
    port = free_port()
    files = f"cafile {tmp_path}/ca.crt\ncertfile {tmp_path}/server.crt\nkeyfile {tmp_path}/server.key"
    running = Mosquitto(
        tmp_path, extra=f"allow_anonymous false\npassword_file {passwords}", listener=f"listener {port}\n{files}"
    )
    running.start()
    yield running, port, tmp_path
    running.stop()


def say(broker: Broker) -> None:
    publish_once(broker, LEAVE)


def test_the_right_authority_and_password_reach_the_broker(secured: tuple[Mosquitto, int, Path]) -> None:
    _, port, folder = secured
    broker = Broker("localhost", port, "drymon", folder / "broker.password", folder / "ca.crt")
    with pytest.raises(BrokerError, match="nobody who listens"):  # it got as far as the broker's answer
        say(broker)


def test_a_broker_of_another_name_is_not_believed(secured: tuple[Mosquitto, int, Path]) -> None:
    _, port, folder = secured
    broker = Broker("127.0.0.1", port, "drymon", folder / "broker.password", folder / "ca.crt")
    with pytest.raises(BrokerError, match="certificate"):
        say(broker)


def test_another_authority_is_not_believed(secured: tuple[Mosquitto, int, Path]) -> None:
    _, port, folder = secured
    other = folder / "other"
    other.mkdir()
    make_authority(other, "localhost")
    broker = Broker("localhost", port, "drymon", folder / "broker.password", other / "ca.crt")
    with pytest.raises(BrokerError, match="certificate"):
        say(broker)


def test_a_wrong_password_is_refused(secured: tuple[Mosquitto, int, Path]) -> None:
    running, _, folder = secured
    (folder / "wrong.password").write_text("secret word\n")
    broker = Broker("127.0.0.1", running.port, "drymon", folder / "wrong.password")
    with pytest.raises(BrokerError, match=r"[Nn]ot authori"):
        say(broker)


def test_a_certificate_file_that_is_none_is_a_setup_error(tmp_path: Path) -> None:
    (tmp_path / "ca.crt").write_text("no certificate\n")
    with pytest.raises(SetupError, match=r"ca\.crt"):
        say(Broker("localhost", free_port(), ca_file=tmp_path / "ca.crt"))


def test_a_password_file_that_is_missing_is_a_setup_error(tmp_path: Path) -> None:
    with pytest.raises(SetupError, match="nothing-here"):
        say(Broker("localhost", free_port(), "drymon", tmp_path / "nothing-here"))
