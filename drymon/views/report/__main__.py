"""Writes one tree's record and ends: a child process, so that the service never carries the drawing library.

`python -m drymon.views.report HOME DATABASE TREE FILE`, FILE ending in .html or .pdf
"""

import sys
from pathlib import Path

from drymon.errors import DrymonError
from drymon.messages.coat_models import load_models
from drymon.messages.config import load_home
from drymon.messages.settings import where_of
from drymon.store import Store
from drymon.views.report.compose import document_of
from drymon.views.report.html import html_of
from drymon.views.report.pdf import write_pdf
from drymon.views.report.record import shell_record


def main(words: list[str]) -> int:
    """Write it; 1 and a line on stderr where it cannot be done."""
    home, database, tree, name = words
    file = Path(name)
    try:
        config = load_home(Path(home))
        with Store.open(where_of(database), readonly=True) as store:
            document = document_of(shell_record(store, config.room, load_models(config.path), tree))
    except DrymonError as error:
        print(f"no record: {error}", file=sys.stderr)
        return 1
    if file.suffix == ".pdf":
        write_pdf(document, file)
    else:
        file.write_text(html_of(document), encoding="utf-8", newline="\n")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
