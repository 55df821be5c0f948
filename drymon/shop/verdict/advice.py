"""What a person does about a tree now, in one line: the one home of it, for topic, page, command and story. Pure."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, tzinfo

from drymon.shop.facts.local_time import say
from drymon.shop.facts.outcome import State, Verdict
from drymon.shop.facts.reason_code import ReasonCode
from drymon.shop.tree.calls import UNLEARNED
from drymon.shop.verdict.reasons import REASONS, Effect, codes_of

AS_WET = "take the tree as wet"
"""What holds wherever nobody can tell."""

COMPLETE = (
    "its last coat is dry, so no dip is left; dewax and pour only by your own procedure: drymon knows nothing of them"
)
DECIDED = {
    ReasonCode.WEIGHING_AWAITED: (
        "dry by its weight: its load cell's next weighing decides, within minutes; nothing to do"
    ),
    ReasonCode.WEIGHT_FALLING: (
        "dry by the air, but the scale still sees water leave: wait, and see that it hangs freely"
    ),
    ReasonCode.WET: (
        "dry by the air, but its probe is still colder than the air: wait, and touch-test it where air comes worst"
    ),
}
"""By the reason that still speaks against a tree which is dry by its air."""


@dataclass(frozen=True, slots=True)
class CountedTouch:
    """A finding that was told and counts, and from when on the same one counts again."""

    finding: str
    at: datetime
    again: datetime


def advice(verdict: Verdict, zone: tzinfo, would_do: float | None = None, touch: CountedTouch | None = None) -> str:
    """One line for whoever stands before the tree at `verdict.time`, moments on the clock of `zone`.

    would_do: where the air is too damp to be sure within 14 days, the % RH that would do. touch: the newest finding in
    the tree's slowest part (`slowest_place`), while it would not count again.
    """
    line = _Line(verdict, zone, would_do, touch)
    match verdict.state:
        case State.DRYING:
            return line.drying()
        case State.READY:
            return line.ready()
        case State.HOLD:
            return line.hold()
        case State.UNKNOWN:
            return line.unknown()
        case State.COMPLETE:
            return COMPLETE


def unheard(online: bool) -> str:
    """The same where the last verdict does not hold any more. online: the service runs."""
    what = "`drymon check` says why nothing new is told of it" if online else "start drymon's service: `drymon check`"
    return f"{what}; until then {AS_WET}"


def slowest_place(shelter: str) -> str:
    """Where a finger tells most, as `felt` names it."""
    return "face" if shelter == "open" else "pocket"


@dataclass(frozen=True, slots=True)
class _Line:
    verdict: Verdict
    zone: tzinfo
    would_do: float | None
    touch: CountedTouch | None

    def drying(self) -> str:
        when, now = self.verdict.dry_at, self.verdict.time
        wet = self._codes(Effect.DRYING)
        if wet == [ReasonCode.TOO_SOON] and when.best is not None:
            return f"dry as far as is known, but the binder gels until {self._say(when.best)}: nothing to do before"
        if ReasonCode.WEIGHING_AWAITED in wet or (when.late is not None and when.late <= now):
            return next((DECIDED[code] for code in wet if code in DECIDED), DECIDED[ReasonCode.WET])
        if when.best is None:
            return self._never()
        return "; ".join([self._likely(when.best), *self._sure()])

    def ready(self) -> str:
        by, coat = self.verdict.redip_by, self.verdict.next_coat
        following = f" ({coat} next)" if coat else ""
        if by is None:
            return f"dip it when it suits you{following}"
        if by <= self.verdict.time:
            return f"dip it soon{following}: its longest wait ended at {self._say(by)}"
        return f"dip it by {self._say(by)}{following}"

    def hold(self) -> str:
        held, best = self._codes(Effect.HOLD), self.verdict.dry_at.best
        signs = "; ".join(dict.fromkeys(REASONS[code].look_for for code in held))
        told = ", or felt wet" if UNLEARNED & set(held) else ""
        ahead = f"; likely dry at {self._say(best)}" if best is not None and best > self.verdict.time else ""
        return f"look before any dip, for {signs}; then tell drymon with look{told}{ahead}"

    def unknown(self) -> str:
        to_do = [REASONS[code].to_do for code in self._codes(Effect.UNKNOWN)]
        what = "; ".join(dict.fromkeys(to_do)).format(rack=self.verdict.rack, coat=self.verdict.coat)
        return f"{what or '`drymon check`'}; until then {AS_WET}"

    def _likely(self, best: datetime) -> str:
        test = "touch-test it" + ("" if self.verdict.shelter == "open" else " in the pocket")
        if best > self.verdict.time:
            return f"likely dry at {self._say(best)}: {test} then"
        since = f"likely dry since {self._say(best)}"
        if self.touch is None:
            return f"{since}: {test}, and tell drymon with felt"
        felt = f"felt {self.touch.finding} at {self._say(self.touch.at)}"
        return f"{since}, {felt}: {test} again from {self._say(self.touch.again)}"

    def _sure(self) -> Iterator[str]:
        late, by = self.verdict.dry_at.late, self.verdict.redip_by
        if late is not None:
            yield f"surely by {self._say(late)}"
        elif self.would_do is not None:
            yield f"to be sure of it bring the air to {self.would_do:.0f} % RH or less"
        else:
            yield "not sure within 14 days"
        if by is not None and by > self.verdict.time and (late is None or late > by):
            yield f"its longest wait ends at {self._say(by)}"

    def _never(self) -> str:
        if self.would_do is not None:
            return f"too damp to dry within 14 days: bring the air to {self.would_do:.0f} % RH or less"
        return "not dry within 14 days in this air: it needs drier air, warmth or a fan"

    def _codes(self, effect: Effect) -> list[ReasonCode]:
        return codes_of(self.verdict.reasons, effect)

    def _say(self, moment: datetime) -> str:
        return say(moment, self.verdict.time, self.zone)
