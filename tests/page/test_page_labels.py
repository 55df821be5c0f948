"""Labels: what an independent reader (zxing-cpp) finds in the codes of the printed sheet."""

import subprocess
from pathlib import Path

import pytest

from tests import processes

zxing = pytest.importorskip("zxingcpp", reason="zxing-cpp is not installed: pip install drymon[test]")
pdfium = pytest.importorskip("pypdfium2", reason="pypdfium2 is not installed: pip install drymon[test]")

TOML = """
[room]
name = "shop"
label = "Shell room"
[page]
host = "{host}"
port = 8480
password_file = "page.password"
[[rack]]
name = "rack-a"
label = "Left of the door"
[[rack]]
name = "rack-b"
[[coat]]
name = "backup"
family = "backup"
"""


@pytest.fixture
def home(tmp_path: Path) -> Path:
    (tmp_path / "page.password").write_text("a secret of the shop\n")
    (tmp_path / "room.toml").write_text(TOML.format(host="192.168.7.20"))
    return tmp_path


def labels(home: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return processes.run("labels", "--home", str(home), *words)


def codes_in(pdf: Path) -> list[list[str]]:
    """What the codes on each page say, at 150 dots an inch: a modest printer."""
    pages = [page.render(scale=150 / 72).to_pil() for page in pdfium.PdfDocument(pdf)]
    return [sorted(code.text for code in zxing.read_barcodes(page)) for page in pages]


def text_in(pdf: Path) -> str:
    return "\n".join(page.get_textpage().get_text_bounded() for page in pdfium.PdfDocument(pdf))


def test_trees_and_racks_get_codes_that_open_their_pages(home: Path, tmp_path: Path) -> None:
    file = tmp_path / "tags.pdf"
    done = labels(home, "--trees", "t-7", "otter", "--racks", "--out", str(file))
    assert (done.returncode, done.stderr) == (0, "")
    base = "http://192.168.7.20:8480"
    assert codes_in(file) == [[f"{base}/rack/rack-a", f"{base}/rack/rack-b", f"{base}/tree/otter", f"{base}/tree/t-7"]]
    text = text_in(file)
    for words in ("t-7", "otter", "rack-a", "Left of the door", "Shell room"):
        assert words in text


def test_many_labels_fill_several_sheets_and_the_longest_name_fits(home: Path, tmp_path: Path) -> None:
    file = tmp_path / "tags.pdf"
    names = ["a-name-as-long-as-a-name-may-ever-be-here", *(f"t-{number}" for number in range(30))]
    names[0] = names[0][:40]
    assert labels(home, "--trees", *names, "--url", "https://shells.example", "--out", str(file)).returncode == 0
    pages = codes_in(file)
    assert [len(page) for page in pages] == [24, 7]
    assert sorted(code for page in pages for code in page) == sorted(f"https://shells.example/tree/{n}" for n in names)
    assert names[0] in text_in(file)


def test_an_svg_is_drawn_the_same_each_time(home: Path, tmp_path: Path) -> None:
    first, second = tmp_path / "one.svg", tmp_path / "two.svg"
    assert labels(home, "--out", str(first)).returncode == 0
    assert labels(home, "--out", str(second)).returncode == 0
    assert first.read_bytes() == second.read_bytes()
    assert b"rack-a" in first.read_bytes()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--trees", "T+7", "--out", "x.pdf"), "allowed are letters, digits, spaces"),
        (("--racks", "rack-z", "--out", "x.pdf"), "racks of this room: rack-a, rack-b"),
        (("--out", "x.docx"), "allowed is a name that ends in .pdf or .svg"),
    ],
)
def test_wrong_use_is_told(home: Path, words: tuple[str, ...], said: str) -> None:
    done = labels(home, *words)
    assert done.returncode == 2
    assert said in done.stderr
