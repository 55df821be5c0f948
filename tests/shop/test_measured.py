"""What was weighed of racks and coats, in the room: whose verdicts go by it, how it is told, and taken back."""

import math
from dataclasses import replace
from datetime import timedelta
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from ht.conv_external import Nu_cylinder_Churchill_Bernstein

from drymon.drying.coat_model import PARAMETERS
from drymon.drying.conditioned import Evidence
from drymon.drying.quantities import Quantity
from drymon.messages.coat_models import load_models
from drymon.shop.facts.measured import InItsPlace, Measured, beside_the_cloth, cloth_name, pickup_name, pooled
from drymon.shop.facts.outcome import Verdict
from drymon.shop.facts.setup import CoatType
from tests.shop.invented_shop import BEGIN, MODELS, SETUP, Shop, codes, model, reading, text

SPEEDS = np.geomspace(0.01, 20.0, 400)
CALM = {Quantity.TEMPERATURE: 22.0, Quantity.HUMIDITY: 45.0}
START = model("rough", runs=0)
MIXED = {**MODELS, "rough": START}
"""Of all coats only `rough` goes by a starting model."""


def TEXTBOOK(speed: Any) -> Any:
    """Churchill and Bernstein's cylinder as `ht` has it, of 50 mm in air of 22 degC; W/(m2 K)."""
    return np.vectorize(lambda one: Nu_cylinder_Churchill_Bernstein(one * 0.05 / 1.53e-5, 0.708) * 0.0259 / 0.05)(speed)


def kept(name: str, kind: str, minutes: float = 0.0, **document: object) -> Any:
    return SimpleNamespace(time=BEGIN + timedelta(minutes=minutes), sensor=name, kind=kind, document=document)


def cloth(low: float, high: float, rack: str = "rack-a", fans_off: bool = False, minutes: float = 0.0) -> Any:
    return kept(cloth_name(rack, fans_off), "wet-cloth", minutes, low=low, high=high)


def piece(water: float, own_sd: float = 0.1, shared_sd: float = 0.1, coat: str = "rough") -> Any:
    return kept(pickup_name(coat), "pickup", water=water, own_sd=own_sd, shared_sd=shared_sd)


def measured(*calibrations: Any) -> Measured:
    return Measured.of(calibrations)


def shop(*calibrations: Any) -> Shop:
    found = Shop(SETUP, MIXED)
    found.room.measured(measured(*calibrations))
    return found


def wait(verdict: Verdict) -> float:
    """Hours from the dip until the tree is surely dry."""
    assert verdict.dry_at.late is not None
    return (verdict.dry_at.late - verdict.dipped_at).total_seconds() / 3600.0


def dipped(found: Shop, coat: str = "rough", rack: str = "rack-a") -> Verdict:
    found.run(0.2, CALM)
    return found.dip("t-1", coat, rack)


# --- what is on record ---


def test_the_newest_cloth_of_a_rack_counts_for_the_fans_as_they_were() -> None:
    found = measured(cloth(0.5, 0.9), cloth(1.0, 1.4, minutes=5), cloth(0.1, 0.2, fans_off=True), cloth(2, 3, "rack-b"))
    assert {rack: {fans: (one.low, one.high) for fans, one in by.items()} for rack, by in found.cloths.items()} == {
        "rack-a": {True: (1.0, 1.4), False: (0.1, 0.2)},
        "rack-b": {True: (2, 3)},
    }


def test_all_pieces_of_a_coat_count_and_what_they_share_does_not_average_out() -> None:
    """Four of 0.3 kg/m2, 0.2 each of its own and 0.1 together: sqrt(0.2^2/4 + 0.1^2) = 0.1414."""
    told = measured(*[piece(0.3, 0.2, 0.1)] * 4).waters["rough"]
    assert told.value == pytest.approx(0.3)
    assert told.sd == pytest.approx(math.sqrt(0.02))


def test_the_surer_piece_counts_more() -> None:
    """Weights 4 to 1 on the logarithms of 1 and e: e^0.2."""
    assert pooled([(1.0, 0.1, 0.0), (math.e, 0.2, 0.0)]).value == pytest.approx(math.exp(0.2))


@pytest.mark.parametrize(
    "broken",
    [
        kept("rack-a/wet-cloth", "wet-cloth", low=1.0),
        kept("rack-a/wet-cloth", "wet-cloth", low=2.0, high=1.0),
        kept("rack-a/wet-cloth", "wet-cloth", low="1", high=2.0),
        kept("rack-a/wet-cloth", "wet-cloth", low=1.0, high=2000.0),
        kept("rack-a/wet-cloth", "wet-cloth", low=1.0, high=2.0, good=False),
        kept("rough/pickup", "pickup", water=-0.3, own_sd=0.1, shared_sd=0.1),
        kept("rough/pickup", "pickup", water=float("nan"), own_sd=0.1, shared_sd=0.1),
        kept("rack-a/airflow", "airflow", low=1.0, high=2.0),
    ],
)
def test_what_cannot_be_read_counts_for_nothing(broken: Any) -> None:
    assert measured(broken) == Measured()


def test_what_a_face_takes_is_known_as_well_as_it_is_told() -> None:
    """Ten thousand rooms: a speed from the assumed range, a transfer from the starting model. The cloth is told right,
    a tree's own differs from it by a fifth. What the model then says of the tree is off by its own spread, and about
    nothing in the mean.
    """
    luck = np.random.default_rng(11)
    start = load_models(None)["backup"]
    transfer, assumed = start.parameters["transfer"], (0.3, 2.0)
    off = []
    for speed, room, own in zip(
        np.exp(luck.uniform(*np.log(assumed), 10_000)),
        luck.normal(math.log(transfer.centre), math.sqrt(transfer.sd**2 - 0.2**2), 10_000),
        luck.normal(0.0, 0.2, 10_000),
        strict=True,
    ):
        taken = math.exp(room) * TEXTBOOK(speed)
        like = float(np.interp(taken, TEXTBOOK(SPEEDS), SPEEDS))
        told = beside_the_cloth(start, InItsPlace(assumed, (like, like))).parameters["transfer"]
        off.append((room + own + math.log(TEXTBOOK(speed) / TEXTBOOK(like)) - math.log(told.centre)) / told.sd)
    assert np.mean(off) == pytest.approx(0.0, abs=0.1)
    assert np.std(off) == pytest.approx(1.0, abs=0.12)


def test_what_goes_with_the_transfer_goes_with_what_the_cloth_says_of_it() -> None:
    """As after a usual wait: water tied to transfer by 0.6. What a face takes in the assumed range, in the middle 0.77
    m/s, with the spread of transfer and speeds, was this much more than the cloth says; the water follows by its
    regression.
    """
    names = (PARAMETERS.index("water"), PARAMETERS.index("transfer"))
    matrix = np.eye(len(PARAMETERS))
    matrix[names[0], names[1]] = matrix[names[1], names[0]] = 0.6
    start = replace(load_models(None)["backup"], correlation=tuple(map(tuple, matrix.tolist())))
    water, transfer = (start.parameters[name] for name in ("water", "transfer"))
    told = beside_the_cloth(start, InItsPlace((0.3, 2.0), (1.0, 1.44)))
    more = math.log(transfer.centre * TEXTBOOK(math.sqrt(0.3 * 2.0)) / TEXTBOOK(1.2))
    open_ = math.log(TEXTBOOK(2.0) / TEXTBOOK(0.3)) / math.sqrt(12.0)
    by = 0.6 * water.sd * transfer.sd / (transfer.sd**2 + open_**2)
    assert math.log(told.parameters["water"].centre / water.centre) == pytest.approx(-by * more, abs=0.01)
    assert told.parameters["transfer"].centre == pytest.approx(1.0)


# --- in the room ---


def test_the_reason_says_that_it_stands_on_the_cloth() -> None:
    told = "no air speed is measured for rack-a: by its wet cloth it dries like 1.1 to 1.6 m/s"
    assert text(dipped(shop(cloth(1.1, 1.6))), "airflow-assumed") == told
    assert "taken as somewhere between 0.3 and 2 m/s" in text(dipped(shop()), "airflow-assumed")


@pytest.mark.parametrize(("low", "high", "slower"), [(0.2, 0.3, True), (3.0, 4.0, False)])
def test_a_slow_place_is_told_later_and_a_windy_one_earlier(low: float, high: float, slower: bool) -> None:
    assert (wait(dipped(shop(cloth(low, high)))) > wait(dipped(shop()))) is slower


def test_the_place_is_nothing_to_another_rack() -> None:
    assert dipped(shop(cloth(3.0, 4.0)), rack="rack-b") == dipped(shop(), rack="rack-b")


def test_a_fitted_model_goes_by_its_runs() -> None:
    """Its transfer was learnt with the assumed range: a cloth counted on top would have it dry too early."""
    told = shop(cloth(3.0, 4.0), piece(0.05, coat="backup"))
    assert dipped(told, "backup") == dipped(shop(), "backup")


def test_where_an_anemometer_reports_the_cloth_says_nothing() -> None:
    for found in (told := shop(cloth(3.0, 4.0)), plain := shop()):
        found.run(0.2)
    assert told.dip("t-1", "rough") == plain.dip("t-1", "rough")


def test_a_cloth_of_running_fans_says_nothing_of_still_air() -> None:
    found = shop(cloth(1.1, 1.6))
    found.run(0.1, CALM)
    found.fan("rack-a", False)
    assert "between 0.05 and 0.2 m/s" in text(dipped(found), "airflow-assumed")


def test_a_cloth_of_still_fans_stands_in_while_they_are_off() -> None:
    found = shop(cloth(0.11, 0.16, fans_off=True))
    found.run(0.1, CALM)
    assert "between 0.3 and 2 m/s" in text(dipped(found), "airflow-assumed")
    found.fan("rack-a", False)
    found.run(0.1, CALM)
    assert "wet cloth it dries like 0.11 to 0.16 m/s" in text(found.dip("t-2", "rough"), "airflow-assumed")


def test_an_anemometer_that_fell_silent_widens_what_the_cloth_says() -> None:
    found = shop(cloth(1.1, 1.6))
    found.run(0.1)
    found.run(0.5, CALM)
    assert "dries like 0.05 to 1.6 m/s" in text(found.dip("t-1", "rough"), "airflow-assumed")


def test_less_water_is_dry_sooner_and_more_later() -> None:
    """The starting model's own is 0.1 kg/m2."""
    hours = [wait(dipped(shop(*told))) for told in ([piece(0.07)], [], [piece(0.14)])]
    assert hours == sorted(hours)
    assert hours[2] > 1.4 * hours[0]


def test_what_hangs_is_told_anew_when_it_is_measured_and_again_when_it_is_taken_back() -> None:
    """As if it had been known at the dip, and as if it had never been."""
    found, known, never = shop(), shop(cloth(3.0, 4.0), piece(0.07)), shop()
    for one in (found, known, never):
        dipped(one)
        one.run(0.5, CALM)
    assert found.room.measured(measured(cloth(3.0, 4.0), piece(0.07)))
    for one in (found, known, never):
        one.run(0.2, CALM)
    assert found.tree("t-1").dryness == known.tree("t-1").dryness != never.tree("t-1").dryness
    assert found.room.measured(Measured())
    for one in (found, known, never):
        one.run(0.2, CALM)
    assert found.tree("t-1").dryness == never.tree("t-1").dryness != known.tree("t-1").dryness
    assert "0.3 and 2 m/s" in text(found.tree("t-1"), "airflow-assumed")


def test_a_piece_alone_is_news_to_its_own_coat_and_its_forecast() -> None:
    found, known = shop(), shop(piece(0.07))
    for one in (found, known):
        dipped(one)
        one.dip("t-2", "backup")
        one.run(0.5, CALM)
    assert found.room.measured(measured(piece(0.07)))
    told = {each.tree: each for each in found.room.judge_all(found.now) if isinstance(each, Verdict)}
    same = {each.tree: each for each in known.room.judge_all(known.now) if isinstance(each, Verdict)}
    assert told["t-1"].dryness == same["t-1"].dryness
    assert wait(told["t-1"]) == pytest.approx(wait(same["t-1"]), rel=0.05)
    assert told["t-2"].dryness == same["t-2"].dryness


@pytest.mark.parametrize(("low", "high", "share"), [(0.05, 0.06, 0.55), (8.0, 9.0, 1.6)])
def test_the_cloth_moves_the_drying_itself_and_not_only_what_is_expected(low: float, high: float, share: float) -> None:
    """Water gone of a fresh coat after a quarter of an hour, over that at 1 m/s by the cloth: by `ht`'s cylinder the
    transfer at 0.055 and 8.5 m/s is 0.28 and 3.0 times that at 1 m/s; radiation, heat and inside even it out.
    """
    gone = []
    for speeds in ((1.0, 1.01), (low, high)):
        found = shop(cloth(*speeds))
        dipped(found)
        found.run(0.25, CALM)
        gone.append(found.tree("t-1").dryness.best)
    assert (gone[1] / gone[0] < share) is (share < 1.0)


def test_a_cloth_at_the_fastest_speed_there_is_is_read() -> None:
    assert measured(cloth(19.0, 20.0)).cloths["rack-a"][True].high == 20.0


def test_the_same_again_is_no_news() -> None:
    found = shop(cloth(3.0, 4.0))
    assert not found.room.measured(measured(cloth(3.0, 4.0)))
    assert found.room.measured(measured(cloth(3.0, 4.1)))


def test_a_tree_that_was_found_complete_stays_so() -> None:
    found = shop()
    found.run(0.2, CALM)
    found.dip("t-1", "seal")
    found.run(24.0, CALM, until=lambda: found.tree("t-1").state.value == "complete")
    found.room.measured(measured(piece(0.9, coat="seal"), cloth(0.1, 0.2)))
    found.run(0.2, CALM)
    assert found.tree("t-1").state.value == "complete"


def test_trees_with_and_without_a_cloth_on_one_rack_dry_as_each_would_alone() -> None:
    """They are stepped together by what they see of the air."""
    many = shop(cloth(1.1, 1.6))
    many.run(0.2, CALM)
    for tree, coat in (("t-1", "rough"), ("t-2", "backup"), ("t-3", "rough"), ("t-4", "backup")):
        many.dip(tree, coat)
    many.run(1.0, CALM)
    for tree, coat in (("t-1", "rough"), ("t-2", "backup")):
        alone = shop(cloth(1.1, 1.6))
        alone.run(0.2, CALM)
        alone.dip(tree, coat)
        alone.run(1.0, CALM)
        assert alone.tree(tree).dryness == many.tree(tree).dryness


def test_the_evidence_of_a_coat_is_by_its_own_name() -> None:
    """A coat that goes by the starting model of its family has its own slurry."""
    coats = (CoatType("backup", "backup"), CoatType("other", "backup"))
    setup = type(SETUP)("shop", racks=SETUP.racks, coats=coats)
    found = Shop(setup, {"backup": START})
    found.room.measured(Measured(waters={"other": Evidence(0.2, 0.05)}))
    found.run(0.2, CALM)
    backup, other = (found.dip(tree, coat) for tree, coat in (("t-1", "backup"), ("t-2", "other")))
    assert wait(other) > 1.2 * wait(backup)
    assert "starting-model" in codes(other)


@pytest.mark.parametrize(("low", "high", "cold"), [(0.05, 0.07, True), (5.0, 6.0, False)])
def test_a_probe_is_read_in_the_air_that_the_cloth_told(low: float, high: float, cold: bool) -> None:
    """4.5 K below the air is most of what a wet face of still air has, and not plainly so in a strong draught."""
    found = shop(cloth(low, high))
    found.run(0.2, CALM)
    found.dip("t-1", "rough", probe="p-1")
    for _ in range(18):
        found.room.tell([reading(found.now, Quantity.SURFACE, 17.5, "rack-a", "p-1")])
        found.run(1 / 60, CALM)
    assert ("its surface is still 4.5 K colder than the air" in text(found.tree("t-1"), "wet")) is cold
