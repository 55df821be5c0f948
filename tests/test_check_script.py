"""`./check` where the distribution's packages cannot be had: it goes on, and says what is left out and why."""

import subprocess
from pathlib import Path

import pytest

CHECK = Path(__file__).resolve().parent.parent / "check"

if not CHECK.is_file():
    pytest.skip("the script lives in the checkout only", allow_module_level=True)

ROOT, USER = "id() { echo 0; }", "id() { echo 1000; }"
NO_NETWORK = "apt-get() { echo 'reading lists'; echo 'E: Unable to fetch some archives' >&2; return 100; }"
NO_APT = "apt-get() { echo 'bash: apt-get: command not found' >&2; return 127; }"
WORKS = 'apt-get() { echo installed "$@"; }'


def packages(*stubs: str, after: str = "left_out") -> subprocess.CompletedProcess[str]:
    """The script's own functions, asked for a program that no machine has."""
    words = "\n".join([*stubs, f"source {CHECK}", "need no-such-program a-package", "echo goes on", after])
    return subprocess.run(["bash", "-c", words], capture_output=True, text=True, timeout=30)


@pytest.mark.parametrize(
    ("stub", "why"),
    [(NO_NETWORK, "E: Unable to fetch some archives"), (NO_APT, "apt-get: command not found")],
)
def test_as_root_without_a_working_apt_it_goes_on_and_says_why(stub: str, why: str) -> None:
    done = packages(ROOT, stub)
    assert (done.returncode, done.stderr) == (0, "")
    before, after = done.stdout.split("goes on")
    assert "without a-package (apt-get could not install it: " in before
    assert why in before
    assert "the tests that need it are skipped" in before
    assert "not installed here, so their tests were skipped" in after
    assert why in after


def test_another_user_is_told_what_to_say() -> None:
    done = packages(USER, NO_NETWORK)
    assert done.returncode == 0
    assert "sudo apt install a-package" in done.stdout


def test_where_apt_works_nothing_is_left_out() -> None:
    done = packages(ROOT, WORKS)
    assert (done.returncode, done.stdout) == (0, "goes on\n")


def test_what_is_there_is_not_asked_for() -> None:
    done = packages(ROOT, NO_NETWORK, after="missing=(); need bash bash; left_out")
    assert done.stdout.endswith("goes on\n")


def test_the_reasons_of_skipped_tests_are_printed() -> None:
    """pytest's -rs lists them; the script ends with what it could not install, whatever the tests said."""
    text = CHECK.read_text(encoding="utf-8")
    assert 'pytest" -q -rs ' in text
    assert "trap left_out EXIT" in text


@pytest.mark.parametrize(("other", "own", "code"), [("true", "true", 0), ("false", "true", 1), ("true", "false", 1)])
def test_what_runs_beside_each_other_fails_where_either_does(other: str, own: str, code: int) -> None:
    steps = f"other() {{ echo types; {other}; }}; own() {{ echo tests of $1; {own}; }}"
    done = subprocess.run(
        ["bash", "-c", f"source {CHECK}; {steps}; beside other own all; echo goes on"],
        capture_output=True, text=True, timeout=30,
    )  # fmt: skip
    assert done.returncode == code
    assert done.stdout.startswith("tests of all\n")
    assert ("goes on" in done.stdout) is (code == 0)
    assert ("types\n" in done.stdout) is (own == "true"), "what the other said is told, once"
