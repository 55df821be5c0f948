"""What was said of each rack, and which are to be told again. Pure."""

from collections.abc import Iterable, Mapping

from drymon.shop.air.rack_air import RackAir
from drymon.shop.facts.outcome import RackStatus, Verdict
from drymon.shop.verdict.rack_status import rack_status, says_the_same


class RackBook:
    """The last status of each rack."""

    def __init__(self) -> None:
        self.said: dict[str, RackStatus] = {}

    def told(
        self, air: Mapping[str, RackAir], verdicts: Iterable[Verdict], at: float, changed_only: bool
    ) -> list[RackStatus]:
        """Those of the racks, by their trees' verdicts and their air (seconds since 1970). changed_only: of those whose
        trees are not as they were said to be.
        """
        trees, found = list(verdicts), []
        hung = {verdict.rack for verdict in trees}
        for name, of_rack in air.items():
            before = self.said.get(name)
            if changed_only and before is not None and not before.trees and name not in hung:
                continue  # nothing of an empty rack is waited for
            self.said[name] = status = rack_status(name, trees, of_rack.now(at), at)
            if not (changed_only and says_the_same(before, status)):
                found.append(status)
        return found
