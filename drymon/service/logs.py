"""The service's log on stderr: a line each, never the same line again and again."""

import logging
import os
import sys
import time

QUIET_S = 600.0
PRIORITIES = {logging.DEBUG: 7, logging.INFO: 6, logging.WARNING: 4, logging.ERROR: 3, logging.CRITICAL: 2}


class OncePerWhile(logging.Filter):
    """Lets the same line through once in ten minutes, then with the number of times it was held back."""

    def __init__(self, quiet_s: float = QUIET_S) -> None:
        super().__init__()
        self._quiet_s = quiet_s
        self._said: dict[str, tuple[float, int]] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether the record is to be written."""
        line, now = record.getMessage(), time.monotonic()
        said, held = self._said.get(line, (float("-inf"), 0))
        if now - said < self._quiet_s:
            self._said[line] = said, held + 1
            return False
        if len(self._said) > 1000:
            self._said.clear()
        self._said[line] = now, 0
        if held:
            record.msg, record.args = f"{line} ({held} times more since it was last said)", ()
        return True


class Line(logging.Formatter):
    """Under a service manager the line begins with its priority, as sd-daemon(3) wants; else with the time."""

    def __init__(self, journal: bool) -> None:
        super().__init__("%(message)s" if journal else "%(asctime)s %(levelname)s %(message)s")
        self._journal = journal

    def format(self, record: logging.LogRecord) -> str:
        """One record as one line."""
        line = super().format(record).replace("\n", " | ")
        return f"<{PRIORITIES.get(record.levelno, 6)}>{line}" if self._journal else line


def log_to_stderr() -> None:
    """Set up logging for a service process."""
    handler = logging.StreamHandler(sys.stderr)
    handler.addFilter(OncePerWhile())
    handler.setFormatter(Line("JOURNAL_STREAM" in os.environ))
    logging.basicConfig(level=logging.WARNING, handlers=[handler], force=True)
    logging.getLogger("drymon").setLevel(logging.INFO)
