"""What a fit steps is what the room steps: with nothing left to chance a run's coats are those of a live dip."""

from dataclasses import replace

import numpy as np
import pytest

from drymon.drying import coat, dips, ensemble, sorption
from drymon.drying.coat_model import DIP_PARAMETERS, CoatModel, Spread
from drymon.drying.edges import NO_EDGES
from drymon.learning.forward import coats_of, courses, fleet_of, hours_of
from drymon.learning.layout import Layout, Prior
from drymon.learning.run import Touch
from drymon.learning.runs import Weighed, make_run
from drymon.messages.coat_models import load_models
from tests.learning.made_up_air import steady_air

STARTS = load_models(None)
HOURS = np.linspace(0.1, 6.0, 20)


def certain(name: str, **more: object) -> CoatModel:
    """A starting model whose every number is known, so that all of its possible coats are one; its binder holds much,
    and the later coats of a shell take longer, most of all at their end.
    """
    model = STARTS[name]
    known = {key: Spread(one.centre, 1e-9) for key, one in model.parameters.items()}
    known |= {"sorption": Spread(0.04, 1e-9), "soak": Spread(0.2, 1e-9), "pace": Spread(1.3, 1e-9)}
    known |= {f"growth_{n}": Spread(1.0 + n / 50.0, 1e-9) for n in (3, 5, 8, 12)}
    return replace(
        model,
        parameters=known,
        dip_sd=dict.fromkeys(DIP_PARAMETERS, 1e-9),
        correlation=None,
        slurry_power=Spread(0.4, 1e-9),
        end_growth=Spread(0.6, 1e-9),
        **more,
    )


DAMP, DRY = (float(sorption.excess(humidity)) for humidity in (75.0, 20.0))
CASES = [
    (1, "open", 0.0, "rack-a", 0.5),
    (2, "open", DRY, "rack-b", -0.6),
    (4, "pocketed", DAMP, "rack-a", 0.0),
    (7, "deep", 0.0, "rack-b", 0.2),
    (16, "deep", DAMP, "rack-a", 0.0),
    (20, "pocketed", DRY, "rack-b", 0.0),
]
"""Number, shelter, monolayers held below, rack, thickness of the slurry."""

RACKS = {"rack-a": 0.8, "rack-b": 1.3}


@pytest.mark.parametrize("tail", ["power", "front", "supply"])
def test_the_most_likely_unknowns_are_the_possible_coats_of_the_same_dip(make, tail) -> None:
    """Every number of every zone, for coats on a bare pattern and late ones, after damp air and after dry, by rack,
    of thin slurry and of thick."""
    model = certain("backup", tail=tail, racks=RACKS)
    runs = [
        replace(
            make(lambda h: 0.5**h, HOURS, name=f"t-{i}", number=number, shelter=shelter, rack=rack),
            held_below=held,
            thick=thick,
        )
        for i, (number, shelter, held, rack, thick) in enumerate(CASES)
    ]
    fleet = fleet_of(runs)
    layout = Layout(fleet, {"backup": Prior.of(model, tail)})
    theta, _ = layout.theta(np.zeros(layout.size), np.zeros((1, 3)), 0.2)
    taught = coats_of(fleet, theta[:, None, :], tail)
    names = ("share", "water", "conductance", "pocket", "fan", "critical", "exponent", "end", "inner", "liquid")
    for place, (number, shelter, held, rack, thick) in enumerate(CASES):
        live = dips.possible_coats(model, number, shelter, rack=rack, held_below=held, edges=NO_EDGES, thick=thick)
        rows = slice(int(fleet.first[place]), int(fleet.first[place] + fleet.zones[place]))
        zones = fleet.zones[place]
        for name in (*names, "cooling", "sorption", "sunk", "below", "lag", "slowing", "damp", "warm", "wind"):
            ours = np.broadcast_to(getattr(taught, name), taught.water.shape)[rows, 0]
            theirs = np.broadcast_to(getattr(live, name), live.water.shape)[:zones, 0]
            np.testing.assert_allclose(ours, theirs, rtol=1e-5, atol=1e-9, err_msg=f"{name} of {CASES[place]}")


@pytest.mark.parametrize("shelter", ["open", "deep"])
def test_a_run_is_stepped_as_a_minute_by_minute_room_steps_it(make, shelter) -> None:
    """In air that swings every hour between 30 and 75 %RH: its few long steps keep the tree's water to 1 %."""
    minutes = 60 * 8
    swing = np.where((np.arange(minutes) // 60) % 2, 75.0, 30.0)
    air = steady_air(minutes, humidity=swing)
    run = make(lambda h: np.exp(-h / 1.2), np.linspace(0.1, 7.9, 24), shelter=shelter, number=3, air=air)
    model = certain("backup")
    fleet = fleet_of([run])
    layout = Layout(fleet, {"backup": Prior.of(model)})
    theta, _ = layout.theta(np.zeros(layout.size), np.zeros((1, 3)), 0.2)
    found = courses(fleet, theta[:, None, :], model.tail)
    coats = dips.possible_coats(model, 3, shelter, held_below=0.0, edges=NO_EDGES)
    left = [np.ones_like(coats.water)]
    for minute in range(minutes):
        step = ensemble.AirStep(air.deficit[minute], air.saturation[minute], air.excess[minute], air.resistance[minute])
        left.append(coat.step(coats, left[-1], step, 60.0))
    of_tree = np.array([coats.of_tree(each * coats.water)[0] for each in left])
    expected = np.interp(hours_of(fleet, 0) * 60.0, np.arange(minutes + 1), of_tree)
    np.testing.assert_allclose(found.mean[:, 0, 0], expected, atol=0.01 * of_tree[0])


def test_weighed_runs_come_first_and_a_felt_one_is_stepped_to_the_end_of_its_air(make) -> None:
    nothing = np.zeros(0)
    felt = make_run(
        id="f-1", tree="f-1", coat="backup", number=1, shelter="pocketed", rack="rack-a", start_s=0.0,
        weighed=Weighed(nothing, nothing, nothing, False), air=steady_air(600), touches=[Touch(60.0, True, False)],
    )  # fmt: skip
    fleet = fleet_of([felt, make(lambda h: 0.5**h, HOURS, name="t-1")])
    assert [run.id for run in fleet.runs] == ["t-1.1", "f-1"]
    assert [float(hours_of(fleet, place)[-1]) for place in (0, 1)] == pytest.approx([6.0, 10.0])
    assert len(fleet.marks[1].index) == 0
