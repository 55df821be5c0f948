"""The shell's record: everything that happened is in it, in both forms, and nothing that did not."""

import json
import re
import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path

import pypdfium2
import pytest

from drymon.drying.quantities import Quantity
from drymon.errors import SetupError
from drymon.messages.coat_models import load_models
from drymon.shop.facts.events import Undo
from drymon.shop.facts.outcome import State
from drymon.store import Store
from drymon.views.report.compose import document_of
from drymon.views.report.document import Document
from drymon.views.report.html import html_of
from drymon.views.report.pdf import TEXT_WIDTH, width_of, wrapped, write_pdf
from drymon.views.report.record import ShellRecord, shell_record
from drymon.views.report.room_clock import RoomClock, length, utc
from tests.views.invented import hours
from tests.views.record_home import NOTE, ROOM_WITH_RECIPE, dip, fill, temperatures


@pytest.fixture(scope="session")
def database(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return fill(tmp_path_factory.mktemp("record") / "drymon.db")


def read(database: Path, tree: str = "t-7", at: datetime | None = None) -> ShellRecord:
    with Store.open(database, readonly=True) as store:
        return shell_record(store, ROOM_WITH_RECIPE, load_models(None), tree, at)


@pytest.fixture(scope="session")
def record(database: Path) -> ShellRecord:
    return read(database)


@pytest.fixture(scope="session")
def document(record: ShellRecord) -> Document:
    return document_of(record)


@pytest.fixture(scope="session")
def page(document: Document) -> str:
    return html_of(document)


@pytest.fixture(scope="session")
def sheets(document: Document, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_pdf(document, tmp_path_factory.mktemp("sheets") / "t-7.pdf")


class Reader(HTMLParser):
    """What a browser would show (text outside style), with every tag and attribute that it met."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.said: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self._hidden = False
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._hidden = tag == "style"

    def handle_endtag(self, tag: str) -> None:
        self._hidden = False

    def handle_data(self, data: str) -> None:
        if not self._hidden and data.strip():
            self.said.append(" ".join(data.split()))


def paper_text(path: Path) -> list[str]:
    pdf = pypdfium2.PdfDocument(path)
    return [" ".join(sheet.get_textpage().get_text_range().split()) for sheet in pdf]


def test_the_log_tells_which_dips_stand(record: ShellRecord) -> None:
    """By hand from the invented log: four dips stand, the one of 10.5 h was taken back by Ilse six minutes later."""
    coats = [one.coat for one in record.coats]
    assert [(c.number, c.dip.coat, c.dip.by) for c in coats] == [
        (1, "prime", "Ilse"), (2, "prime", "Ravi"), (3, "backup", "T. O."), (4, "backup", "Ilse"),
    ]  # fmt: skip
    assert [c.end for c in coats] == [hours(8), hours(10), hours(32), hours(45)]
    assert {(c.shelter, c.recipe) for c in coats} == {("open", "standard")}
    assert [(stay.rack, stay.begin, stay.end) for stay in coats[2].stays] == [
        ("rack-a", hours(10), hours(12)), ("rack-b", hours(12), hours(32)),
    ]  # fmt: skip
    (back,) = record.life.taken_back
    assert (back.event.time, back.taken_back.by) == (hours(10.5), "Ilse")


def test_a_name_used_again_tells_two_trees_apart(database: Path, record: ShellRecord) -> None:
    assert record.life.begin == hours(0.5)
    assert record.earlier == ((hours(-90), hours(-70)),)
    earlier = read(database, at=hours(-80))
    assert [one.coat.shelter for one in earlier.coats] == ["deep"]
    assert earlier.life.end == hours(-70)
    with pytest.raises(SetupError, match="was in the room at"):
        read(database, at=hours(-500))


def test_the_air_of_a_coat_is_what_was_measured_as_calibrated(record: ShellRecord) -> None:
    """The calibration on record adds 1 K to the thermometer of rack-a; the first coat hung from 0.5 to 8 h."""
    seen = record.coats[0].air[Quantity.TEMPERATURE]
    put_in = [value + 1.0 for value in temperatures(0.5, 8.0)]
    assert seen.low == pytest.approx(min(put_in))
    assert seen.high == pytest.approx(max(put_in))
    assert seen.mean == pytest.approx(sum(put_in) / len(put_in), abs=0.01)
    assert seen.asked == (20, 24)
    assert seen.inside == pytest.approx(sum(20 <= value <= 24 for value in put_in) / len(put_in), abs=0.01)
    assert seen.gap == timedelta(0)


def test_time_without_readings_is_told(record: ShellRecord) -> None:
    """From 12 h on the tree hung on rack-b, where nobody measures: of the third coat's 22 h, 20 h have no reading."""
    third = record.coats[2].air[Quantity.TEMPERATURE]
    assert third.longest_gap == pytest.approx(timedelta(hours=20), abs=timedelta(minutes=5))
    moved = [seen.gap for seen in record.coats[3].air.values()]
    assert all(gap == timedelta(0) for gap in moved)


def test_the_verdict_in_force_when_a_coat_ended(record: ShellRecord) -> None:
    """Ready at 8 h (after five time constants), drying at 10 h; nobody watched at the end, hours later."""
    states = [one.in_force.state if one.in_force else None for one in record.coats]
    assert states == [State.READY, State.DRYING, State.READY, None]


def test_alarms_of_this_tree_and_of_its_racks_air_only(record: ShellRecord) -> None:
    """The notice, the other tree's hold and the other rack's silence (the tree hung on rack-a then) stay away."""
    assert [(a.kind, a.subject, a.said) for a in record.alarms] == [
        ("air-out-of-band", "rack-a", 1), ("redipped-early", "t-7", 2),
    ]  # fmt: skip
    assert record.alarms[0].cleared == hours(6)
    assert record.alarms[1].acknowledged == ("Ilse",)


@pytest.mark.parametrize("form", ["page", "sheets"])
def test_both_forms_tell_the_whole_story(form: str, page: str, sheets: Path) -> None:
    said = " ".join(Reader(page).said if form == "page" else paper_text(sheets))
    for words in (
        "Shell record: t-7", "Shell room", "four coats (standard)", "4 on record, 4 in the recipe",
        "2031-03-03 06:30 by Ilse (2031-03-03T05:30:00Z)", "Europe/Berlin, UTC+01:00",
        "It says nothing about whether the shell is ready to dewax or to pour", "respirable silica",
        "Coat 3: backup", "open (plain faces, air gets everywhere)", "then rack-b from 18:00",
        "Dips before the coat below was ready", "because redipped-early", "redipped-early", "starting-model",
        "Looks at a tree on hold", "because too-long", "Taken back: it counts", "2031-03-03 16:36",
        "1.875 kg", "125 g", "felt wet to the touch", NOTE,
        "nobody watched: drymon was not running", "95 % of the removable water gone",
        "warning: air-out-of-band, rack-a", "starting, from published ranges", "2031-02-22", "good, off by 0.4 %",
        "another tree had this name", "20 to 24 °C",
    ):  # fmt: skip
        assert words in said, words
    assert "Another tree is on hold" not in said
    assert "tree-ready" not in said


def test_the_page_needs_nothing_else(page: str) -> None:
    reader = Reader(page)
    names = {tag for tag, _ in reader.tags}
    assert {"svg", "table", "main", "h1"} <= names
    assert not names & {"script", "link", "img", "iframe", "object"}
    links = [v for _, attrs in reader.tags for k, v in attrs.items() if k in ("src", "href", "xlink:href") and v]
    assert links
    assert all(link.startswith("#") for link in links)
    assert not re.search(r"@import|url\((?!#)", page)
    assert not re.search(r"\son\w+=", page)


def test_ids_are_unique_and_every_reference_is_met(page: str) -> None:
    """HTML Living Standard, 3.2.6: an id is unique in its document."""
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) > 100
    assert len(ids) == len(set(ids))
    wanted = set(re.findall(r'url\(#([^)]+)\)|href="#([^"]+)"', page))
    assert {one or other for one, other in wanted} <= set(ids)


def test_pictures_have_words_for_those_who_do_not_see_them(page: str) -> None:
    pictures = [attrs for tag, attrs in Reader(page).tags if tag == "svg"]
    assert len(pictures) == 5
    assert all(attrs.get("role") == "img" and len(attrs.get("aria-label") or "") > 20 for attrs in pictures)


def test_what_people_typed_is_text_and_never_markup(page: str) -> None:
    assert "<b>lifted" not in page
    assert "&lt;b&gt;lifted&lt;/b&gt; &amp; mended" in page


def test_sheets_are_a4_and_numbered(sheets: Path) -> None:
    """ISO 216: A4 is 210 mm x 297 mm."""
    pdf = pypdfium2.PdfDocument(sheets)
    assert len(pdf) > 3
    for sheet in pdf:
        assert [size / 72 * 25.4 for size in sheet.get_size()] == pytest.approx([210, 297], abs=0.2)
    for number, said in enumerate(paper_text(sheets), start=1):
        assert f"{number} of {len(pdf)}" in said


def test_nothing_on_the_sheets_runs_over_the_edge(sheets: Path) -> None:
    """All letters within 12 mm of the edges, by where the PDF puts them."""
    edge = 12 / 25.4 * 72
    for sheet in pypdfium2.PdfDocument(sheets):
        wide, tall = sheet.get_size()
        text = sheet.get_textpage()
        boxes = [text.get_charbox(place) for place in range(text.count_chars())]
        seen = [box for box in boxes if box[2] > box[0]]
        assert len(seen) > 50
        assert min(box[0] for box in seen) > edge
        assert max(box[2] for box in seen) < wide - edge
        assert min(box[1] for box in seen) > edge
        assert max(box[3] for box in seen) < tall - edge


def test_the_same_record_gives_the_same_bytes(database: Path, page: str, sheets: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.db"
    shutil.copy(database, copy)
    again = document_of(read(copy))
    assert html_of(again) == page
    assert write_pdf(again, tmp_path / "again.pdf").read_bytes() == sheets.read_bytes()


def test_another_record_gives_other_bytes(record: ShellRecord, page: str) -> None:
    assert html_of(document_of(replace(record, tree="t-8"))) != page


def test_an_unknown_tree_is_told_with_those_that_are_known(database: Path) -> None:
    with pytest.raises(SetupError, match=r"'t-99'.*known: t-7"):
        read(database, "t-99")


def test_a_tree_without_any_verdict_or_air_has_a_record_too(tmp_path: Path) -> None:
    with Store.open(fill(tmp_path / "drymon.db")) as store:
        for table in ("verdict", "minute", "hour", "reading"):
            store._db.execute(f"DELETE FROM {table}")
    said = " ".join(Reader(html_of(document_of(read(tmp_path / "drymon.db")))).said)
    assert "no verdict on record" in said
    assert "not measured; 0.3 to 2 m/s assumed" in said
    assert "unknown (nobody watched)" in said


def test_a_wet_cloth_is_named_in_the_place_of_the_assumed_range(tmp_path: Path) -> None:
    told = "no air speed is measured for rack-a: by its wet cloth it dries like 0.8 to 1.6 m/s"
    with Store.open(fill(tmp_path / "drymon.db")) as store:
        reasons = json.dumps([["airflow-assumed", told]])
        for table in ("minute", "hour", "reading"):
            store._db.execute(f"DELETE FROM {table}")
        store._db.execute(f"UPDATE verdict SET reasons = '{reasons}'")
    said = " ".join(Reader(html_of(document_of(read(tmp_path / "drymon.db")))).said)
    assert "not measured; by its wet cloth it dries like 0.8 to 1.6 m/s" in said
    assert "2 m/s assumed" not in said


def test_a_tree_whose_only_dip_was_taken_back_has_no_record(tmp_path: Path) -> None:
    taken_back = [dip(1.0, "prime", "Ilse"), Undo(time=hours(2), arrived=hours(2), tree="t-7")]
    with pytest.raises(SetupError, match="no dip of a tree named 't-7' is on record"):
        read(fill(tmp_path / "drymon.db", taken_back))


def test_a_name_given_on_without_a_word_ends_the_record(tmp_path: Path) -> None:
    fill(tmp_path / "drymon.db", [dip(0.5, "prime", "Ilse", number=1), dip(8.0, "prime", "Ravi", number=1)])
    with Store.open(tmp_path / "drymon.db") as store:
        first = shell_record(store, ROOM_WITH_RECIPE, {}, "t-7", hours(1))
    said = " ".join(Reader(html_of(document_of(first))).said)
    assert "its name given on" in said
    assert "by Ravi" in said
    assert (len(first.coats), first.until) == (1, hours(8.0))


def test_the_room_clock_tells_summer_time() -> None:
    """In the EU clocks go forward on the last Sunday of March (Directive 2000/84/EC): 30 March 2031, 02:00 to 03:00."""
    winter, summer = datetime(2031, 3, 29, 12, tzinfo=UTC), datetime(2031, 3, 30, 12, tzinfo=UTC)
    clock = RoomClock("Europe/Berlin")
    assert clock.at(winter) == "2031-03-29 13:00"
    assert clock.at(summer) == "2031-03-30 14:00"
    assert clock.against_utc([winter, summer]) == "UTC+01:00, UTC+02:00 by 2031-03-30 14:00"
    assert RoomClock("UTC").against_utc([winter, summer]) == "UTC"
    assert utc(summer) == "2031-03-30T12:00:00Z"


@pytest.mark.parametrize(
    ("minutes", "words"), [(0, "0 min"), (59.6, "1 h 0 min"), (450, "7 h 30 min"), (1440, "1 d"), (4560, "3 d 4 h")]
)
def test_lengths_as_people_say_them(minutes: float, words: str) -> None:
    assert length(timedelta(minutes=minutes)) == words


def test_lines_are_broken_where_they_fit() -> None:
    text = "water " * 60 + "x" * 200
    lines = wrapped(text, TEXT_WIDTH, 9.0)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")
    assert max(width_of(line, 9.0) for line in lines) <= TEXT_WIDTH
    assert len(lines) > 5
