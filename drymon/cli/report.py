"""`drymon report`: the shell's record to keep, while the service runs and while it does not."""

from argparse import Namespace
from pathlib import Path

from drymon.cli.parser import Commands

ENDINGS = (".html", ".htm", ".pdf")


def register(commands: Commands) -> None:
    """Say what `report` takes."""
    parser = commands.add_parser(
        "report",
        help="a tree's record to keep: one HTML file and a PDF",
        description="Writes all that is on record of a tree as one HTML file that needs nothing else, and as a PDF: "
        "coats with their air, curves, weights, states and flags, overrides, alarms, models and sensors.",
    )
    parser.add_argument("tree", metavar="TREE")
    parser.add_argument("--out", metavar="FOLDER", help="where to (else this folder), or the HTML file's own name")
    parser.add_argument("--at", metavar="T", help="the tree of this name that was in the room then (else the last one)")


def run(args: Namespace) -> int:
    """Write both files and say where they are."""
    from drymon.cli.home import config_of, end_of_record, record_of, warn_of_models
    from drymon.messages.coat_models import load_models
    from drymon.messages.names import name_or
    from drymon.messages.typed_times import typed_time
    from drymon.views.report.compose import document_of
    from drymon.views.report.html import html_of
    from drymon.views.report.pdf import write_pdf
    from drymon.views.report.record import shell_record

    config = config_of(args)
    warn_of_models(config)
    tree = name_or(args.tree)
    page, sheets = _files(args.out, tree)
    with record_of(config) as record:
        at = typed_time(args.at, config.room.timezone, end_of_record(config, record)) if args.at else None
        document = document_of(shell_record(record, config.room, load_models(config.path), tree, at))
    page.parent.mkdir(parents=True, exist_ok=True)
    page.write_text(html_of(document), encoding="utf-8", newline="\n")
    print(page)
    print(write_pdf(document, sheets))
    return 0


def _files(out: str | None, tree: str) -> tuple[Path, Path]:
    """The page and the PDF beside it: in a folder by the tree's name, or as the file is named."""
    path = Path(out or ".")
    if path.suffix.lower() not in ENDINGS or path.is_dir():
        path = path / f"{tree}.html"
    return path if path.suffix.lower() != ".pdf" else path.with_suffix(".html"), path.with_suffix(".pdf")
