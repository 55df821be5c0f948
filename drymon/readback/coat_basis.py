"""What a coat goes by, and how far that may be trusted, in words: for the page, pictures and reports. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass

from drymon.drying.coat_model import CoatModel
from drymon.drying.conditioned import Evidence
from drymon.shop.facts.setup import RoomSetup
from drymon.shop.tree.starting import measured_model, model_of, start_of

FEWEST_TO_SAY = 5
"""Below this many left-out runs no share or quantile of their errors is said: one run more would change it by far."""

RANGES = {
    "temperature_c": ("temperature", "{:.1f}", "°C"),
    "humidity_pct": ("humidity", "{:.0f}", "% RH"),
    "airflow_m_per_s": ("air speed", "{:.2g}", "m/s"),
    "number": ("coat numbers", "{:.0f}", ""),
}


@dataclass(frozen=True, slots=True)
class Basis:
    """The model that a coat goes by, under the coat's name, and the name of the model that it was taken from."""

    model: CoatModel
    source: str

    @property
    def is_own(self) -> bool:
        """It is the coat's own model, not one that stands in for it."""
        return self.source == self.model.name


def basis_of(
    name: str, room: RoomSetup, models: Mapping[str, CoatModel], water: Evidence | None = None
) -> Basis | None:
    """What a coat of the room, or a model of that name, goes by; None where neither is known. water: of weighed
    dips.
    """
    kind = room.coat_by_name.get(name)
    if kind is None:
        return Basis(models[name], name) if name in models else None
    model = model_of(kind, models, room)
    # The rule stays where it is: the model that serves alone is the one that was taken, its own before others.
    names = sorted(models, key=lambda other: other != name)
    source = next((other for other in names if start_of(kind, {other: models[other]})), None)
    return Basis(measured_model(model, water), source) if model and source else None


def first_number(name: str, room: RoomSetup, otherwise: int) -> int:
    """The lowest coat number at which a recipe of the room uses it; `otherwise` where none does."""
    places = [recipe.coats.index(name) + 1 for recipe in room.recipes if name in recipe.coats]
    return min(places, default=otherwise)


def kind_words(basis: Basis) -> str:
    """Whose numbers they are: `24 weighed runs`, `starting model, from published ranges`."""
    if not basis.is_own:
        told = f"no model of its own yet: goes by the model of {basis.source}, with wide bounds"
    elif basis.model.is_starting_model:
        told = "starting model, from published ranges"
    else:
        told = runs_words(basis.model.runs)
    return "; ".join(part for part in (told, counted_words(basis.model)) if part)


def counted_words(model: CoatModel) -> str:
    """What this shop's own word has moved: `the usual wait of 4 h is counted`; empty where nothing has."""
    told = " and ".join(model.counted)
    return f"{told} {'is' if len(model.counted) == 1 else 'are'} counted" if told else ""


def runs_words(count: int) -> str:
    """`1 weighed run`, `24 weighed runs`."""
    return f"{count} weighed run{'' if count == 1 else 's'}"


def error_words(error: Mapping[str, float]) -> str:
    """How far off forecasts of left-out runs were, from what a model says of itself; empty where it says nothing."""
    if "median_pct" not in error:
        return ""
    runs = error.get("runs")
    if runs is not None and runs < FEWEST_TO_SAY:
        return f"tried on {runs:.0f} run{'' if runs == 1 else 's'} only: too few to say how far off it is"
    words = (
        f"forecasts of {f'{runs:.0f} ' if runs else ''}runs left out: half within {error['median_pct']:.0f} % of the "
    )
    words += "drying time"
    if "p90_pct" in error:
        words += f", nine in ten within {error['p90_pct']:.0f} %"
    if "coverage" in error:
        words += f"; {100 * error['coverage']:.0f} % came within the bounds that promise 90 %"
    if "width" in error:
        words += f"; usually these bounds lie {100 * error['width']:.0f} % of that time apart"
    return words


def range_words(model: CoatModel) -> list[tuple[str, str]]:
    """What a model speaks for, as (of what, `16.5 to 25.7 °C`)."""
    found = []
    for key, (what, form, unit) in RANGES.items():
        if key in model.seen:
            low, high = (form.format(limit) for limit in model.seen[key])
            found.append((what, f"{low} to {high} {unit}".rstrip()))
    return found


def range_origin(basis: Basis) -> str:
    """Where those ranges come from."""
    if not basis.is_own:
        return f"Those of the model of {basis.source}, another kind of coat; outside them the bounds widen."
    if basis.model.is_starting_model:
        return "The usual ranges of drying rooms; outside them the bounds widen."
    return (
        "The air that was weighed in, and a margin on both sides that physics bridges; where no anemometer reported, "
        "the air speed is the assumed one; coat numbers are those of the model that the fit began from. Outside these "
        "ranges the bounds widen."
    )
