"""init: what it asks at a terminal, what the options say, and what is then in room.toml."""

import os
import pty
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from drymon.cli.main import main
from drymon.messages.config import load_home

PRIME = b"after a prime coat before the next dip? "
BACKUP = b"after a backup coat before the next dip? "
COMMAND = [sys.executable, "-m", "drymon.cli", "init", "--home"]


def waits(home: Path) -> dict[str, float | None]:
    """The usual waits that room.toml holds, by coat."""
    return {coat.name: coat.usual_wait_h for coat in load_home(home).room.coats}


NOTHING = dict.fromkeys(("prime-first", "prime-fine", "slurry-only-first", "backup", "seal"))


def at_a_terminal(home: Path, *talk: tuple[bytes, bytes], words: tuple[str, ...] = ()) -> tuple[int, bytes]:
    """Run it at a terminal of its own: after each of what it says, the answer. Exit code and all that was said."""
    ours, its_end = pty.openpty()
    process = subprocess.Popen(
        [*COMMAND, str(home), *words], stdin=its_end, stdout=its_end, stderr=its_end, start_new_session=True
    )
    os.close(its_end)
    said = b""
    for prompt, answer in talk:
        said += _until(ours, prompt)
        os.write(ours, answer)
    said += _until(ours, None)
    os.close(ours)
    return process.wait(30), said


def _until(terminal: int, mark: bytes | None) -> bytes:
    """What is said until it ends with `mark`; None: until nobody is there any more."""
    said = b""
    while mark is None or not said.endswith(mark):
        try:
            more = os.read(terminal, 4096)
        except OSError:  # the other end has gone
            more = b""
        if not more:
            assert mark is None, f"waited for {mark!r}, was told {said!r}"
            return said
        said += more
    return said


def test_at_a_terminal_it_asks_and_the_answers_are_in_the_coats_of_that_family(tmp_path: Path) -> None:
    code, said = at_a_terminal(tmp_path / "home", (PRIME, b"6\n"), (BACKUP, b"3,5 h\n"))
    assert code == 0
    assert b"on open trees without deep pockets, with shells that came out sound." in said
    assert b"usual_wait_h in it: 6 h after a prime coat, 3.5 h after a backup coat" in said
    primes = dict.fromkeys(("prime-first", "prime-fine", "slurry-only-first"), 6.0)
    assert waits(tmp_path / "home") == {**primes, "backup": 3.5, "seal": None}


def test_empty_answers_leave_it_open_and_the_key_stands_there_as_a_comment(tmp_path: Path) -> None:
    code, said = at_a_terminal(tmp_path / "home", (PRIME, b"\n"), (BACKUP, b"  \n"))
    assert code == 0
    assert b"usual_wait_h in it" not in said
    assert waits(tmp_path / "home") == NOTHING
    assert (tmp_path / "home" / "room.toml").read_text().count("\n# usual_wait_h = ") == 4


def test_an_answer_that_cannot_be_is_told_and_asked_again(tmp_path: Path) -> None:
    bad = [(PRIME, b"overnight\n"), (PRIME, b"-2\n"), (PRIME, b"0\n"), (PRIME, b"400\n"), (PRIME, b"nan\n")]
    code, said = at_a_terminal(tmp_path / "home", *bad, (PRIME, b"336\n"), (BACKUP, b"\n"))
    assert code == 0
    for answer in (b"'overnight'", b"'-2'", b"'0'", b"'400'", b"'nan'"):
        assert b"received " + answer + b"; allowed are hours above 0, at most 336, such as 4 or 4.5" in said
    assert waits(tmp_path / "home")["prime-fine"] == 336.0


def test_whoever_ends_the_input_has_left_the_rest_open(tmp_path: Path) -> None:
    code, _ = at_a_terminal(tmp_path / "home", (PRIME, b"5\n"), (BACKUP, b"\x04"))
    assert code == 0
    assert waits(tmp_path / "home") == {
        **NOTHING,
        **dict.fromkeys(("prime-first", "prime-fine", "slurry-only-first"), 5.0),
    }


def test_whoever_interrupts_has_no_home(tmp_path: Path) -> None:
    """The key that interrupts is the terminal's, here its signal."""
    ours, its_end = pty.openpty()
    process = subprocess.Popen(
        [*COMMAND, str(tmp_path / "home")],
        stdin=its_end,
        stdout=its_end,
        stderr=its_end,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # a shell's background job ignores it
    )
    os.close(its_end)
    _until(ours, PRIME)
    process.send_signal(2)
    said = _until(ours, None)
    os.close(ours)
    assert (process.wait(30), b"stopped" in said) == (130, True)
    assert not (tmp_path / "home").exists()


def test_only_what_no_option_says_is_asked(tmp_path: Path) -> None:
    code, said = at_a_terminal(tmp_path / "one", (BACKUP, b"4\n"), words=("--usual-wait-prime", ""))
    assert code == 0
    assert PRIME not in said
    assert waits(tmp_path / "one") == {**NOTHING, "backup": 4.0}
    both = ("--usual-wait-prime", "8", "--usual-wait-backup", "4")
    code, said = at_a_terminal(tmp_path / "both", words=both)
    assert code == 0
    assert b"?" not in said


def test_without_a_terminal_nobody_is_asked(tmp_path: Path) -> None:
    done = subprocess.run(
        [*COMMAND, str(tmp_path / "home")], input="6\n4\n", capture_output=True, text=True, timeout=60
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert waits(tmp_path / "home") == NOTHING


def test_options_say_it_without_a_terminal(tmp_path: Path, capsys) -> None:
    home = tmp_path / "home"
    assert main(["init", "--home", str(home), "--usual-wait-backup", "4.25"]) == 0
    assert "usual_wait_h in it: 4.25 h after a backup coat" in capsys.readouterr().out
    assert waits(home) == {**NOTHING, "backup": 4.25}


@pytest.mark.parametrize("family", ["prime", "backup"])
def test_an_option_that_cannot_be_is_refused_and_nothing_is_made(family: str, tmp_path: Path, capsys) -> None:
    home = tmp_path / "home"
    assert main(["init", "--home", str(home), f"--usual-wait-{family}", "a day"]) == 2
    told = capsys.readouterr().err
    assert told == (
        f"drymon: --usual-wait-{family}: received 'a day'; allowed are hours above 0, at most 336, such as 4 or 4.5\n"
    )
    assert not home.exists()


def test_who_has_a_home_already_is_asked_nothing(tmp_path: Path) -> None:
    assert main(["init", "--home", str(tmp_path)]) == 0
    code, said = at_a_terminal(tmp_path)
    assert code == 2
    assert b"exists already" in said
    assert b"How many hours" not in said
