"""A shell's record begins with one page for whoever gets the shell: what it is, what was done, what stands out."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pypdfium2
import pytest

from drymon.messages.coat_models import load_models
from drymon.shop.alarms.alarm_kinds import KINDS
from drymon.shop.facts.outcome import State
from drymon.store import Store
from drymon.views.report.compose import cause, document_of
from drymon.views.report.document import Drawing, NewSheet, Table
from drymon.views.report.pdf import write_pdf
from drymon.views.report.record import CoatRecord, ShellRecord, shell_record
from tests.views.record_home import NOTE, ROOM_WITH_RECIPE, fill


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> ShellRecord:
    path = fill(tmp_path_factory.mktemp("record") / "drymon.db")
    with Store.open(path, readonly=True) as store:
        return shell_record(store, ROOM_WITH_RECIPE, load_models(None), "t-7")


def sheets(record: ShellRecord, folder: Path) -> list[str]:
    pdf = pypdfium2.PdfDocument(write_pdf(document_of(record), folder / "record.pdf"))
    return [" ".join(sheet.get_textpage().get_text_range().split()) for sheet in pdf]


def many(record: ShellRecord, coats: Sequence[CoatRecord]) -> ShellRecord:
    """A longer life: these coats one after the other, numbered anew."""
    numbered = tuple(replace(one, coat=replace(one.coat, number=place)) for place, one in enumerate(coats, 1))
    return replace(record, coats=numbered)


def test_the_first_page_says_in_short_what_was_done_and_what_stands_out(record: ShellRecord, tmp_path: Path) -> None:
    """By hand from the invented log: of three coats with a dip after them the second was still drying then."""
    first, second, *_ = sheets(record, tmp_path)
    for words in (
        "Shell record: t-7", "Shell room", "four coats (standard)", "left the room, by Ravi",
        "It says nothing about whether the shell is ready to dewax or to pour",
        "Ready when the next dip came: 2 of 3 coats. Not ready:", "coat 2, prime: drying",
        f"Coat 3 was looked at by Ravi: repaired ({NOTE})", "One entry was taken back and counts for nothing",
        "Nobody measured the air of", "coat 3 for 20 h", "1 danger, 1 warning; 1 of them acknowledged by nobody",
        "Starting models from published ranges, wide on purpose, stand behind",
        "2031-03-03 06:30", "mean air", "% RH", "Behind this page stands all of it",
    ):  # fmt: skip
        assert words in first, words
    assert "Its air" not in first
    assert "All of it" not in first
    assert second.startswith("All of it")


def test_where_nothing_stands_out_it_says_so(record: ShellRecord, tmp_path: Path) -> None:
    good = replace(record.coats[0], findings=())
    quiet = many(replace(record, alarms=(), life=replace(record.life, said=())), [good, good])
    first = sheets(quiet, tmp_path)[0]
    assert "Each of 2 coats was ready when the next dip came." in first
    for words in ("Not ready", "looked at", "taken back", "Nobody measured", "Alarms about"):
        assert words not in first, words


@pytest.mark.parametrize("times", [3, 6])
def test_however_long_its_life_the_summary_is_one_sheet(record: ShellRecord, tmp_path: Path, times: int) -> None:
    """Twelve coats and 24, some of them dipped early, all looked at with a note, in words that need two lines."""
    long_words = "a label that is longer than any column of the table is wide"
    kind = record.coats[2].kind
    assert kind is not None
    strange = [
        replace(one, kind=replace(kind, label=long_words), findings=record.coats[2].findings) for one in record.coats
    ]
    life = many(replace(record, tree="t-" + "7" * 38), strange * times)
    first, second, *_ = sheets(life, tmp_path)
    assert "Behind this page stands all of it" in first, "the whole summary is on it"
    assert second.startswith("All of it")
    assert "more of this kind stand behind" in first


def test_coats_that_stand_out_are_on_it_before_those_that_do_not(record: ShellRecord) -> None:
    ready, drying = record.coats[0], record.coats[1]
    assert (ready.in_force and ready.in_force.state, drying.in_force and drying.in_force.state) == (
        State.READY, State.DRYING,
    )  # fmt: skip
    life = many(record, [ready, drying, *[ready] * 20])
    blocks = document_of(life).blocks
    table = next(block for block in blocks if isinstance(block, Table))
    numbers = [row[0] for row in table.rows]
    assert numbers[0] == "2", "the early dip is there, the first of the ready ones is not"
    assert numbers[-2:] == ["22", "…"]
    assert len(numbers) <= 15
    assert any(isinstance(block, Drawing) for block in blocks[: blocks.index(NewSheet())])


@pytest.mark.parametrize("kind", ["redipped-early", "air-out-of-band", "tree-hold", "sensor-silent"])
def test_an_alarm_in_the_record_says_what_was_so_and_not_what_to_do(kind: str) -> None:
    row = KINDS[kind]
    for severity in row.severities:
        words = row.words(severity)
        told = f"Worse now: The air was so. And so. {words.matters} {words.action} Do it soon."
        assert cause(kind, told) == "The air was so. And so."
    assert cause("a-kind-of-before", "Still: It was so.") == "It was so."
