"""The processes that tests start of `drymon` end, fail and are ended as those that a shell starts."""

import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests import processes

ROOM = '[room]\nname = "shop"\n[broker]\nhost = "127.0.0.1"\nport = 1\n'


@pytest.fixture
def home(tmp_path: Path) -> Path:
    (tmp_path / "room.toml").write_text(ROOM, encoding="utf-8")
    return tmp_path


def anew(*words: str, typed: str = "", **settings: object) -> "subprocess.CompletedProcess[str]":
    command = [sys.executable, "-m", "drymon.cli.main", *words]
    return subprocess.run(command, input=typed, capture_output=True, text=True, timeout=60, check=False, **settings)


@pytest.mark.parametrize(
    ("words", "typed", "code"),
    [
        (["--version"], "", 0),
        (["user", "add", "ana"], "short\n", 2),
        (["status", "--home", "/nowhere/at/all"], "", 2),
        (["status", "--no-such-option"], "", 2),
    ],
)
def test_a_command_says_and_returns_what_it_does_when_it_is_started_anew(
    home: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], typed: str, code: int
) -> None:
    """What is typed, the environment and the folder reach it too."""
    monkeypatch.setenv("DRYMON_HOME", ".")
    monkeypatch.chdir(home)
    done, other = processes.run(*words, typed=typed), anew(*words, typed=typed)
    assert done.returncode == other.returncode == code
    assert (done.stdout, done.stderr) == (other.stdout, other.stderr)
    assert done.stdout + done.stderr


@pytest.mark.parametrize("begin", [processes.start, processes.start_anew])
@pytest.mark.parametrize(("how", "code"), [(signal.SIGTERM, 0), (signal.SIGKILL, -signal.SIGKILL)])
def test_a_service_is_ended_by_a_signal(
    home: Path, begin: Callable[..., processes.Process], how: signal.Signals, code: int
) -> None:
    with (home / "log").open("wb") as log:
        service = begin("serve", "--home", str(home), stdout=log, stderr=log)
    assert service.poll() is None
    with pytest.raises(subprocess.TimeoutExpired):
        service.wait(0.01)
    while b"broker" not in (home / "log").read_bytes():
        assert service.poll() is None, (home / "log").read_text()
    service.send_signal(how)
    assert service.wait(30) == service.poll() == code
    service.send_signal(how)  # nobody is there any more, and nobody is hit
