"""A coat model: what is known of one kind of coat, and how well, before this dip has been watched.

Parameters live on a working scale on which their uncertainty is taken as normal: the logarithm, and for shares of a
whole the logit. Starting models carry published ranges, fitted models this shop's weighings; the formulas never know
which of them they were given.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

TAILS: tuple[str, ...] = ("power", "front", "supply")
"""Named forms of the fall below the critical share of water, with x = left / critical:

- power: the wet part of the surface shrinks, outer resistance / x^n, and a dried layer grows, inner (1 - x);
- front: only the dried layer's resistance grows, inner (1 - x)^n: a receding front for n = 1, a skin for small n;
- supply: the shell hands over no more than a flux that falls as x^n whatever the air asks for; `inner` is its
  resistance at `SUPPLY_DEFICIT`, in series with the air's.
"""

PARAMETERS: tuple[str, ...] = (
    "water",
    "cooling",
    "transfer",
    "critical",
    "exponent",
    "inner",
    "liquid",
    "sorption",
    "soak",
    "sunk",
    "pocketed",
    "deep",
    "pocketed_share",
    "deep_share",
    "end",
    "pace",
    "growth_3",
    "growth_5",
    "growth_8",
    "growth_12",
    "damp",
    "warm",
    "wind",
)
"""Order of the parameters in vectors and in `CoatModel.correlation`."""

DIP_PARAMETERS: tuple[str, ...] = ("water", "transfer", "inner")
"""What scatters from dip to dip, on the log scale."""


GROWTH: tuple[str, ...] = ("growth_3", "growth_5", "growth_8", "growth_12")
"""Factors on the time from each of `dips.GROWTH_NUMBERS` to the next."""

SHARES: tuple[str, ...] = ("critical", "liquid", "pocketed_share", "deep_share", "end")
"""Parameters between 0 and 1, whose working scale is the logit."""


@dataclass(frozen=True, slots=True)
class Spread:
    """A parameter's most likely value in its own unit and its standard deviation on the working scale."""

    centre: float
    sd: float


END_GROWTH = Spread(0.25, 0.8)
"""What a fit takes for granted of `CoatModel.end_growth`: from hardly any to twice as slow at coat 8 (assumed)."""

USUAL_POWER = Spread(0.4, 0.25)
"""Of a dip's water by its slurry's viscosity (assumed, see `thickness`). The sd is that of the power itself."""


@dataclass(frozen=True)
class CoatModel:
    """Parameters of one coat type with their uncertainty and their origin.

    parameters: one Spread for each name in PARAMETERS:
        water [kg/m2] removable water that one dip brings on an open face, without soaking into coats below;
        cooling [m] water that a fresh tree gives off while it cools to the temperature of its wet face besides what the
        air takes, kg/m2 per kg/m3 of the air's deficit: 0.75 for 5 kJ/(m2 K) of wax and shell, which cool by 6 to 7 K
        at 0.01 kg/m3, while the air gives them the less heat the warmer they still are;
        transfer [-] true over textbook transfer coefficient; critical [-] share of water left at which the rate
        begins to fall;
        exponent [-] of the falling rate; inner [s/m] resistance of the dried layer against vapour;
        liquid [-] share of `inner` that in truth limits the flow of liquid, which does not follow the air's deficit;
        sorption [-] water held by one coat's binder per monolayer over the coat's removable water; the coats
        below hold as much each, the deep ones less;
        soak [-] growth of the water by soaking into the coats below, when it has levelled off;
        sunk [-] share of the water that sinks into dry coats below and can only leave through them and this coat;
        pocketed [-] transfer of a wet face in a pocket over that of an open one, in the reference air
        (`ensemble.OPEN_FACE`): what it takes longer is the resistance of the air in there; deep [-] the same of a deep
        pocket over the pocket that is its mouth;
        pocketed_share [-] share of the wet area in pockets, deep_share [-] that in deep ones, the pockets being a share
        of the rest: how much of a tree's weight such a zone's water makes;
        end [-] share left below which the rate falls in proportion to what is left;
        pace [-] factor on the time besides all physics; growth_3 to growth_12 [-] factors on the time from coat 1 to 3,
        3 to 5, 5 to 8, 8 to 12, besides what the water does; damp, warm [-] powers with which dry air hurries a coat
        and with which warmth does, over what physics says of both; wind [-] power of the air side's resistance, 1 as
        the textbook has it.
    correlation: of the working-scale parameters in the order of PARAMETERS; None means independent.
    dip_sd: scatter from dip to dip on the log scale, by name in DIP_PARAMETERS.
    tail: the named form of the falling rate ("power").
    soak_coats: number of coats over which soaking levels off.
    seen: (low, high) of temperature_c, humidity_pct, airflow_m_per_s, number behind the model.
    runs: weighed runs behind it; 0 marks a starting model.
    racks: factor on transfer of trees on a rack by its name, the air there and its sensors' bias together; else 1.
    doubt: why the model is not to be relied on though it is the best there is, "" where nothing speaks against it.
    trade_hours: its ranges are those of all shops, so what the trade knows of hours may narrow it (`practice`).
    slurry_power: power of a dip's water by its slurry's viscosity over the middle of its band (`thickness`), with the
        standard deviation of the power itself.
    slurry_sd: how thick the slurry of another week is beside that of the runs, log scale: water and way out alike; its
        runs cannot tell, so it is 0 in a starting model, whose ranges are those of all weeks.
    end_growth: natural logarithm of how much more slowly coat 8 loses its last tenth of water than coat 3
        (`dips.end_share`), the room's; None where nothing is known of it, and the end grows as the rest does: in a
        starting model, and in files from before it was learnt.
    counted: evidence without a scale that its parameters count already (`informed`), in words for people.
    """

    name: str
    family: str
    parameters: Mapping[str, Spread]
    dip_sd: Mapping[str, float]
    seen: Mapping[str, tuple[float, float]]
    label: str = ""
    origin: str = ""
    correlation: tuple[tuple[float, ...], ...] | None = None
    tail: str = "power"
    soak_coats: float = 3.0
    runs: int = 0
    run_ids: tuple[str, ...] = ()
    shelters_learned: tuple[str, ...] = ()
    tail_learned: bool = True
    racks: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    error: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    doubt: str = ""
    trade_hours: bool = False
    slurry_power: Spread = USUAL_POWER
    slurry_sd: float = 0.0
    end_growth: Spread | None = None
    counted: tuple[str, ...] = ()

    @property
    def water_sd(self) -> float:
        """Scatter of a dip's water on the log scale: its own luck, and the slurry's."""
        return math.hypot(self.dip_sd.get("water", 0.0), self.slurry_sd)

    def without_luck(self) -> "CoatModel":
        """The model of dips that do not scatter: what of a time the parameters leave open."""
        return replace(self, dip_sd=dict.fromkeys(self.dip_sd, 0.0), slurry_sd=0.0)

    @property
    def growth_is_the_shells(self) -> bool:
        """Whether what later coats take longer leaves the air of their pockets as it is: a thicker shell has no stiller
        air. Files from before `end_growth` were fitted with growth of all of the time, and mean that.
        """
        return self.end_growth is not None

    @property
    def is_starting_model(self) -> bool:
        """No weighed run of this shop is behind it."""
        return self.runs == 0


def to_working(name: str, value: float) -> float:
    """A parameter's value on its working scale: logit for `SHARES`, else the natural logarithm."""
    return math.log(value / (1.0 - value)) if name in SHARES else math.log(value)


def from_working(name: str, value: float) -> float:
    """Inverse of `to_working`."""
    return 1.0 / (1.0 + math.exp(-value)) if name in SHARES else math.exp(value)
