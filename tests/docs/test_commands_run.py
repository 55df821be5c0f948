"""Every shell command of the documentation is run, copied from the page as a person would copy it.

Pages mark their blocks: ```sh is run here; ```sh machine needs a network, a screen or a service manager that a test
does not have, and is only checked to be shell. A ```text block after it is what the commands said when the page was
written: each of its lines must be said again, numbers, times and weekdays aside.
"""

import json
import re
import subprocess
from pathlib import Path

import pytest

from tests.docs.markdown import DOCS, REPOSITORY, Block, blocks
from tests.docs.trial import Trial

pytestmark = pytest.mark.timeout(900)  # the first of these tests installs drymon and runs some hundred commands

IN_ORDER = ("first-day.md", "messages.md", "weighing.md", "room.md", "commands.md", "alarms.md")
"""The order in which the pages' commands are run: each page may count on those before it."""

ELSEWHERE = {
    "README.md": "the demonstration and ./check: tests/cli/test_demo.py runs the first, the second is what runs this",
}
PAGES = sorted(page for page in (*REPOSITORY.glob("*.md"), *DOCS.glob("**/*.md")))


STATUS = (
    'mosquitto_sub -u node-1 -P "$(cat $ROOT/etc/drymon-sensors/broker.password)" -t workshop/node-1/status -C 1 -W 10'
)
"""What the node of the first day says of itself."""


def masked(text: str) -> str:
    """Text without what differs from day to day."""
    text = re.sub(r"\b(Mon|Tue|Wed|Thu|Fri|Sat|Sun) ", "", text)
    text = re.sub(r"[0-9a-f]{24,}", "0", text)
    text = re.sub(r"[█▒·│]{10,}", "▒", text)  # a bar is as long as its numbers are great
    text = re.sub(r"\d+(?:[.,:–]\d+)*", "0", text)
    return " ".join(text.split())


def follow(page: Path, trial: Trial) -> str:
    """Run a page's commands in their order and compare what they say; returns all that was said."""
    said, everything = "", ""
    for block in blocks(page):
        if block.language == "sh" and not block.mark:
            said = trial.copied(block).replace(str(trial.root), "")
            everything += said
            if "docs/install/install.sh" in block.text:
                trial.begin()
            if "drymon-sensors find --write" in block.text:
                trial.begin_node()
        elif block.language == "text":
            for line in filter(None, map(masked, block.text.splitlines())):
                assert line in masked(said), f"{block}: the page shows {line!r}; the command said\n{said}"
    return everything


@pytest.fixture(scope="session")
def followed(trial: Trial) -> dict[str, str]:
    """What the pages' commands said, all pages followed in their order, by the page's name."""
    return {name: follow(DOCS / name, trial) for name in IN_ORDER if (DOCS / name).exists()}


def test_first_day_leads_to_a_live_verdict(trial: Trial, followed: dict[str, str]) -> None:
    """By the page's commands alone: installed, a sensor heard through mosquitto, a tree judged from its readings."""
    assert "drying" in followed["first-day.md"]
    document = json.loads(trial.run("drymon status --json").stdout)
    tree = next(tree for tree in document["trees"] if tree["tree"] == "tree-1")
    assert document["service"] == "online"
    assert tree["safe_to_redip"] is False
    assert tree["dry_at"]["early"] < tree["dry_at"]["best"] < tree["dry_at"]["late"]
    heard = {(s["quantity"], s["sensor"]) for s in document["sensors"]}
    node = json.loads((trial.run(STATUS)).stdout)
    assert node["sensors"]["room/humidity"]["state"] == "ok", "the wired sensor reads on"
    assert (node["dropped"], node["damaged"]) == (0, 0)
    assert {("temperature", ""), ("temperature", "workshop-thermo-1")} <= heard


@pytest.mark.parametrize("name", IN_ORDER[1:])
def test_every_command_of_the_page_works(followed: dict[str, str], name: str) -> None:
    assert followed[name].strip(), f"no command of {name} said anything"


def test_a_sensor_can_neither_log_a_dip_nor_speak_a_verdict(trial: Trial, followed: dict[str, str]) -> None:
    """The rules that install.sh gives to mosquitto hold: the broker takes such messages and hands them to nobody."""
    trial.run(
        'mosquitto_pub -u thermo-1 -P "$(cat thermo-1.password)" -t drymon/shop/log/dip -q 1 '
        """-m '{"tree": "forged", "rack": "rack-a", "coat": "backup"}'\n"""
        'mosquitto_pub -u thermo-1 -P "$(cat thermo-1.password)" -t drymon/shop/out/tree/forged -q 1 -r -m ready\n'
        "sleep 1"
    )
    log = (trial.root / "var/log/mosquitto/mosquitto.log").read_text(encoding="utf-8", errors="replace")
    assert "thermo-1" in log, "the sensor never came in: the test would show nothing"
    assert "forged" not in trial.run("drymon status --json").stdout
    word = trial.run(
        "mosquitto_sub -u drymon -P \"$(cat $ROOT/var/lib/drymon/broker.password)\" -t 'drymon/shop/out/tree/+' -W 2 -v"
        " || true"
    )
    assert "drymon/shop/out/tree/tree-1" in word.stdout
    assert "forged" not in word.stdout


def test_a_stranger_is_not_let_in(trial: Trial, followed: dict[str, str]) -> None:
    done = trial.run("mosquitto_pub -t drymon/shop/room/temperature -m 21")
    assert done.returncode != 0
    assert re.search("not authori[sz]ed", done.stderr.lower()), "as either spelling of mosquitto has it"


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_shell_block_is_shell_and_its_page_is_followed(page: Path) -> None:
    """No page has commands that nothing runs."""
    for block in (block for block in blocks(page) if block.language in ("sh", "bash", "shell", "console")):
        assert block.language == "sh", f"{block}: write ```sh"
        assert block.mark in ("", "machine"), f"{block}: the mark {block.mark!r} means nothing"
        assert parses(block), f"{block} is no shell"
        known = page.name in ELSEWHERE or (page.parent == DOCS and page.name in IN_ORDER)
        if block.mark != "machine":
            assert known, f"{block}: nothing runs it"
    fences = re.findall(r"^```", page.read_text(encoding="utf-8"), re.MULTILINE)
    assert len(fences) == 2 * len(blocks(page)), f"{page.name}: a fence is not closed"


def parses(block: Block) -> bool:
    return subprocess.run(["sh", "-n"], input=block.text, text=True, timeout=10).returncode == 0
