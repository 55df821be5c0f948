"""What docs/first-day.md promises, lived for two days in simulated time by starting models alone, and played again by
`drymon replay`: a line that can be acted on at any time, and no false word. Numbers of the models are not asked for.
"""

import json
import re
import subprocess
import sys
from collections import defaultdict
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.messages.streams import read_stream
from drymon.readback.promises import Outcome, on_record
from drymon.shop.facts.events import Felt
from drymon.shop.verdict.reasons import REASONS, Effect
from drymon.store.store import Store
from tests.service.first_days import BEGIN, DAYS, TREES, ZONE, home_of_the_page, live

HOUR = timedelta(hours=1)
CLOCK = r"(?:[A-Z][a-z]{2} )?\d\d:\d\d"
Told = dict[str, Any]


class Days:
    """What was said in two days, by tree and dip."""

    def __init__(self, home: Path, live: list[Message], replayed: list[Message]) -> None:
        self.config = load_home(home)
        self.home, self.live, self.replayed = home, live, replayed
        self.alerts = [json.loads(one.payload) for one in replayed if one.topic.endswith("/out/alert")]
        self.coats: dict[tuple[str, str], list[Told]] = defaultdict(list)
        for message in replayed:
            if "/out/tree/" in message.topic and message.payload:
                told = json.loads(message.payload)
                self.coats[told["tree"], told["dipped_at"]].append(told)

    @property
    def words(self) -> list[Told]:
        """All verdicts."""
        return [told for coat in self.coats.values() for told in coat]


@pytest.fixture(scope="module")
def days(tmp_path_factory: pytest.TempPathFactory) -> Days:
    folder = tmp_path_factory.mktemp("first-days")
    stream, out, again = folder / "days.jsonl", folder / "out.jsonl", home_of_the_page(folder / "again")
    said = live(home_of_the_page(folder / "lived"), stream)
    command = [sys.executable, "-m", "drymon.cli", "replay", "--home", str(again), str(stream), "--out", str(out)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, done.stderr
    return Days(again, said, list(read_stream([out])))


def at(text: str) -> datetime:
    return datetime.fromisoformat(text)


def held(told: Told) -> set[str]:
    """The reasons that hold it."""
    return {one["code"] for one in told["reasons"] if REASONS[one["code"]].effect is Effect.HOLD}


def test_the_days_are_lived_as_the_page_has_it(days: Days) -> None:
    """Every tree was dipped, most of them again, and whoever plays the record is told what was said, to the byte."""
    dips = {tree.name: [at for name, at in days.coats if name == tree.name] for tree in TREES}
    assert all(dips.values())
    assert sum(len(own) >= 2 for own in dips.values()) >= 4
    replayed = [(one.topic, one.payload) for one in days.replayed]
    assert replayed == [(one.topic, one.payload) for one in days.live][: len(replayed)]
    assert at(days.words[-1]["time"]) > BEGIN + timedelta(days=DAYS) - HOUR


def test_no_hold_comes_without_a_cause(days: Days) -> None:
    """In such a room nothing dries too fast and no air swings: what holds is an unknown pocket, or the clock."""
    coats = days.config.room.coat_by_name
    shelters = {tree.name: tree.shelter for tree in TREES}
    for told in days.words:
        codes = held(told)
        assert codes <= {"pocket-unlearned", "too-long"}, told
        if "pocket-unlearned" in codes:
            assert shelters[told["tree"]] != "open"
        if "too-long" in codes:
            longest = coats[told["coat"]].longest_wait_h
            assert longest is not None
            assert at(told["time"]) - at(told["dipped_at"]) > longest * HOUR
        assert bool(codes) <= (told["state"] in ("hold", "unknown"))


def test_nothing_is_called_a_danger_and_nothing_unknown(days: Days) -> None:
    assert {alert["severity"] for alert in days.alerts} <= {"notice", "warning"}
    assert {alert["kind"] for alert in days.alerts if alert["severity"] == "warning"} <= {"tree-hold", "window-closing"}
    assert all(told["state"] != "unknown" for told in days.words)


def test_no_word_comes_and_goes_within_an_hour(days: Days) -> None:
    for coat in days.coats.values():
        changes = [coat[0]] + [after for before, after in pairwise(coat) if after["state"] != before["state"]]
        states = [told["state"] for told in changes]
        for first, back, again in zip(range(len(states)), range(1, len(states)), range(2, len(states)), strict=False):
            if states[first] == states[again] and states[back] == "drying":
                assert at(changes[again]["time"]) - at(changes[back]["time"]) > HOUR, changes[again]
        # Without a scale a coat only dries: what was called stays so until its longest wait is over.
        if "ready" in states:
            assert set(states[states.index("ready") :]) <= {"ready", "hold"}


@pytest.mark.parametrize(
    ("state", "forms"),
    [
        (
            "drying",
            (
                rf"likely dry at {CLOCK}: touch-test it( in the pocket)? then; .*",
                rf"likely dry since {CLOCK}: touch-test it( in the pocket)?, and tell drymon with felt; .*",
                rf"likely dry since {CLOCK}, felt (wet|dry) at {CLOCK}: touch-test it( in the pocket)? again from .*",
                rf"dry as far as is known, but the binder gels until {CLOCK}: .*",
            ),
        ),
        ("ready", (rf"dip it by {CLOCK} \(.+ next\)", r"dip it (soon|when it suits you) .*")),
        ("hold", (r"look before any dip, for .*; then tell drymon with look.*",)),
    ],
)
def test_a_line_to_act_on_is_always_there(days: Days, state: str, forms: tuple[str, ...]) -> None:
    own = [told for told in days.words if told["state"] == state]
    assert own
    for told in own:
        assert any(re.fullmatch(form, told["advice"]) for form in forms), told["advice"]
    pockets = {tree.name for tree in TREES if tree.shelter != "open"}
    for told in own:
        if "touch-test it" in told["advice"]:
            assert ("in the pocket" in told["advice"]) is (told["tree"] in pockets)


def test_the_line_tells_the_verdicts_own_moments_on_the_rooms_clock(days: Days) -> None:
    for told in days.words:
        found = re.match(r"likely dry (at|since) (?:[A-Z][a-z]{2} )?(\d\d:\d\d)", told["advice"])
        if found:
            best = at(told["dry_at"]["best"])
            assert f"{best.astimezone(ZONE):%H:%M}" == found[2]
            assert (best > at(told["time"])) is (found[1] == "at")


def test_on_the_first_evening_every_open_tree_can_be_felt_or_dipped(days: Days) -> None:
    """Dipped in the afternoon, somebody is there until ten: the likely moment is not tomorrow's."""
    evening = BEGIN.astimezone(ZONE).replace(hour=22, minute=0)
    for tree in TREES:
        if tree.shelter == "open" and tree.first < 300:
            words = [told for told in days.words if told["tree"] == tree.name and at(told["time"]) < evening]
            assert any(told["advice"].startswith(("likely dry since", "dip it")) for told in words), tree.name


def test_likely_moments_are_sensible(days: Days) -> None:
    """After the shortest wait, within a day for open trees and two for pockets, in order, and near to what came."""
    coats, shelters = days.config.room.coat_by_name, {tree.name: tree.shelter for tree in TREES}
    for (tree, dipped_at), words in days.coats.items():
        first = words[0]
        early, best, late = (at(first["dry_at"][name]) for name in ("early", "best", "late"))
        wait = best - at(dipped_at)
        assert early <= best <= late
        assert wait >= (coats[first["coat"]].shortest_wait_h or 0.0) * HOUR
        assert wait < (24 if shelters[tree] == "open" else 48) * HOUR
        came = next((told for told in words if "since" in told["advice"]), None)
        if came is not None:
            # Steady air: what was told at the dip holds within a quarter.
            assert abs(at(came["time"]) - best) < 0.25 * wait + timedelta(minutes=10), first


def test_surely_by_is_kept_in_steady_air(days: Days) -> None:
    """But where a finger found a tree wet that was likely dry: three tenths of the wait, for the quick half of all
    coats is left out then.
    """
    with Store.open(days.home / "drymon.db", readonly=True) as store:
        kept = on_record(store)
        felt_wet = [(one.tree, one.time) for one in store.events() if isinstance(one, Felt) and one.finding == "wet"]
    assert len(kept.of(Outcome.KEPT)) >= 4
    for promise in kept.of(Outcome.OVERRUN):
        if promise.is_far:
            assert any(tree == promise.tree and promise.told < time < promise.bound for tree, time in felt_wet), promise
        assert promise.over < 0.3 * (promise.bound - promise.told), promise
