"""What was judged, a line each in a file that a run goes on from. The last word about a mutant holds."""

import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any


@dataclass(frozen=True)
class Result:
    """One judged mutant. `verdict`: killed, survived, timed out."""

    id: str
    module: str
    line: int
    function: str
    old: str
    new: str
    verdict: str
    by: str = ""
    seconds: float = 0.0


class Results:
    """The file, read at the start and added to as mutants are judged."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._judged: dict[str, Result] = {}
        self._green: dict[str, float] = {}
        for line in path.read_text(encoding="utf-8").splitlines() if path.exists() else []:
            self._take(json.loads(line))

    def _take(self, said: dict[str, Any]) -> None:
        if "green" in said:
            self._green[str(said["green"])] = float(str(said["seconds"]))
        else:
            result = Result(**said)
            self._judged[result.id] = result

    def of(self, number: str) -> Result | None:
        return self._judged.get(number)

    def green_s(self, digest: str) -> float | None:
        """How long the same tests of the same code took without a fault."""
        return self._green.get(digest)

    def add(self, result: Result) -> None:
        self._write(asdict(result))

    def add_green(self, digest: str, seconds: float) -> None:
        self._write({"green": digest, "seconds": seconds})

    def _write(self, said: dict[str, Any]) -> None:
        with self._path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(said) + "\n")
        self._take(said)
