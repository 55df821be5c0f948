"""When will each tree be dry: outlooks made anew as often as they matter, one forecast per rack, all in one go."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np

from drymon.drying import ensemble, forecast, outlook, possible
from drymon.shop.air.sensors import minute_done
from drymon.shop.tree.state import ASSURANCE, TreeState, World
from drymon.shop.verdict.damp_air import humidity_that_would_do
from drymon.shop.verdict.judge import Outlook

OFTEN_S, SELDOM_S = 590.0, 3600.0
SHARE_OF_WAIT = 1.0 / 4.0
"""An outlook is made anew after a quarter of the time that it gives, ten minutes at least, an hour at most."""

AIR_CHANGED = 0.1
"""Relative change of the drive upon which every outlook of the rack is made anew."""

GUST_MIN = 10

PAST_MIN = 8 * 1440

SPREAD_KEPT_S = 3 * 3600.0


_Seen = tuple[str, bool]
"""A rack, and whether its air is seen as a wet cloth has told it."""


def _seen(state: TreeState) -> _Seen:
    return state.rack, state.by_cloth


@dataclass(frozen=True, slots=True)
class _Made:
    outlook: Outlook
    dipped_at: float
    rack: str
    drive: float
    lasts: float


class Forecaster:
    """Keeps each tree's outlook until it is due again. Pure: the same facts give the same outlooks."""

    def __init__(self, world: World) -> None:
        self.world = world
        self._made: dict[str, _Made] = {}
        self._spreads: dict[str, tuple[float, forecast.AirSpread]] = {}

    def forget(self, tree: str) -> None:
        """The tree is gone."""
        self._made.pop(tree, None)

    def outlooks(self, states: Sequence[TreeState]) -> Mapping[str, Outlook]:
        """Outlooks for these trees, fresh enough for each."""
        if not states:
            return {}
        wanted = [state for state in states if state.coats is not None and not state.complete]
        due = [state for state in wanted if self._is_due(state, 1.0)]
        if due:  # who is half due comes along: many trees in one go cost little more than one
            due = [state for state in wanted if self._is_due(state, 0.5)]
        futures = {seen: self._future(seen, max(s.at for s in due if _seen(s) == seen)) for seen in {*map(_seen, due)}}
        self._make([state for state in due if futures[_seen(state)] is not None], futures)
        return {s.name: self._made[s.name].outlook for s in wanted if s.name in self._made}

    def _is_due(self, state: TreeState, share: float) -> bool:
        """Whether this share of the outlook's time has passed, or it is none of this dip in this air."""
        made = self._made.get(state.name)
        if made is None or made.dipped_at != state.dip.time.timestamp() or made.rack != state.rack:
            return True
        if state.at < made.outlook.made:
            return True
        if state.chance_dry >= ASSURANCE:
            return False
        if state.at >= made.outlook.made + share * made.lasts:
            return True
        return abs(self._drive(state) / max(made.drive, 1e-12) - 1.0) > AIR_CHANGED

    def _drive(self, state: TreeState) -> float:
        """Mean drive of the last minutes, so that a gust is no change of the air."""
        air, newest = self.world.air[state.rack], minute_done(state.at)
        return sum(air.minute(newest - back).drive for back in range(GUST_MIN)) / GUST_MIN

    def _future(self, seen: _Seen, at: float) -> outlook.FutureAir | None:
        rack, by_cloth = seen
        air = self.world.air[rack]
        minute = minute_done(at)
        newest = air.minute(minute)
        start = minute - PAST_MIN
        first = max(start, air.temperature.first)
        history = forecast.PastAir(*(s.window(first, minute + 1) for s in (air.temperature, air.ratio, air.speed)))
        ways = forecast.paths(history, self._spread(rack, at, history))
        if ways is None:
            return None
        assumed = None
        if math.isnan(newest.speed):
            warm = float(np.mean(ways.temperature))
            assumed = air.coefficients(math.nan, newest.range_of(by_cloth), warm, newest.pressure_pa)
        return outlook.future_air(ways, newest.pressure_pa, assumed)

    def _spread(self, rack: str, at: float, history: forecast.PastAir) -> forecast.AirSpread:
        made, spread = self._spreads.get(rack, (math.inf, None))
        if spread is None or not made <= at < made + SPREAD_KEPT_S:
            made, spread = at - at % SPREAD_KEPT_S, forecast.spread(history)
            self._spreads[rack] = made, spread
        return spread

    def _make(self, states: Sequence[TreeState], futures: Mapping[_Seen, outlook.FutureAir | None]) -> None:
        if not states:
            return
        names = sorted({*map(_seen, states)})
        seconds = outlook.seconds_to_dry(
            ensemble.stacked([s.coats for s in states if s.coats is not None]),
            np.stack([s.water.slowest for s in states if s.water is not None]),
            np.array([s.target for s in states]),
            [future for name in names if (future := futures[name]) is not None],
            [names.index(_seen(state)) for state in states],
        )
        for state, row in zip(states, seconds, strict=True):
            wait = median(row[row > 0.0].tolist() or [0.0])
            lasts = min(max(SHARE_OF_WAIT * wait, OFTEN_S), SELDOM_S)
            made = Outlook(state.at, state.at + row, self._would_do(state, row))
            dipped_at = state.dip.time.timestamp()
            self._made[state.name] = _Made(made, dipped_at, state.rack, self._drive(state), lasts)

    def _would_do(self, state: TreeState, row: ensemble.Array) -> float | None:
        """Asked only where the cautious bound never gets there."""
        assert state.water is not None
        late = possible.weighted_quantiles(row, state.water.weights, (0.95,))[0]
        air = self.world.air[state.rack].minute(minute_done(state.at))
        if math.isfinite(late) or math.isnan(air.humidity_pct):
            return None
        return humidity_that_would_do(state, air.humidity_pct, air.step_of(state.by_cloth))
