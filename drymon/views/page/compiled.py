"""Compiled templates, kept from start to start: to compile them anew takes half of what a start takes."""

import logging
from contextlib import suppress

from jinja2 import FileSystemBytecodeCache
from jinja2.bccache import Bucket
from platformdirs import user_cache_path

from drymon import __version__

log = logging.getLogger(__name__)


class Compiled(FileSystemBytecodeCache):
    """Files in the user's cache folder, for it holds code. Jinja sees by a checksum of a template's source, and by its
    own version and Python's, whether one still holds. A disk that is full costs the next start a moment, and no page.
    """

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep one, where that can be done."""
        with suppress(OSError):
            super().dump_bytecode(bucket)


def kept() -> Compiled | None:
    """Those of this version; None where this user has no folder for such."""
    folder = user_cache_path("drymon", appauthor=False) / f"page-{__version__}"
    if not folder.is_absolute():
        return None
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        log.info("page: compiled templates are not kept (%s)", error)
        return None
    return Compiled(str(folder))
