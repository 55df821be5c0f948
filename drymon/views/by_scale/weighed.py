"""What weighing a cloth or a piece has told, in words and to be kept: the same for commands and the page."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from drymon.shop.facts.measured import CLOTH, PICKUP

DUE_DAYS = {CLOTH: 180, PICKUP: 90}
"""When to weigh again (common practice, no source): rooms change with their fans, slurries with their age."""


@dataclass(frozen=True, slots=True)
class Told:
    """What came out, in words; strange: what is asked about before it is kept. key, kind, document: what is kept; None:
    nothing is, and why stands among the lines.
    """

    verdict: str
    lines: tuple[str, ...]
    strange: tuple[str, ...]
    key: str
    kind: str
    document: Mapping[str, Any] | None

    def wanted(self, due: str) -> dict[str, Any]:
        """What is to be kept, due again on that date."""
        document = {**(self.document or {}), "verdict": self.verdict, "lines": list(self.lines), "due": due}
        return {"sensor": self.key, "kind": self.kind, "document": {**document, "good": True}}
