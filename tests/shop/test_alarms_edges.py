"""Where the words and the limits of alarms turn: each said of a room that stands still for one look.

Limits are those of docs/alarms.md; bands and names are this test's own room.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from drymon.shop.alarms.alarm_book import OF_FILE, Condition, Key, Truth
from drymon.shop.alarms.conditions import conditions
from drymon.shop.facts.outcome import (
    AirNow,
    Doubt,
    RackStatus,
    Reason,
    SensorStatus,
    Standing,
    State,
    Verdict,
    When,
)
from drymon.shop.facts.sensor_state import SensorState
from drymon.shop.facts.setup import Band, CoatType, Rack, RoomSetup

NOW = datetime(2031, 3, 3, 12, tzinfo=UTC)
BAND = Band(humidity_pct=(40.0, 44.0), co2_ppm=(0.0, 1500.0))
SETUP = RoomSetup(
    "shop",
    racks=(Rack("rack-a"), Rack("rack-b")),
    coats=(CoatType("narrow", "prime", room=BAND), CoatType("free", "backup")),
)


def tree(name: str = "t-1", state: State = State.DRYING, **more: object) -> Verdict:
    dipped = NOW - timedelta(hours=6)
    said = Verdict(
        NOW, NOW, name, "rack-a", "free", 3, dipped, state, None, When(None, None, None), None, (), shelter="open"
    )
    return replace(said, **more)


def sensor(place: str, quantity: str, state: str = "ok", **more: object) -> SensorStatus:
    said = SensorStatus(place, quantity, "", NOW - timedelta(minutes=1), 50.0, "%RH", SensorState(state))
    return replace(said, **more)


def look(
    *trees: Verdict,
    sensors: Sequence[SensorStatus] = (),
    air: AirNow | None = None,
    doubts: Sequence[Doubt] = (),
    watched: Iterable[Key] = (),
    ready: bool = False,
) -> dict[Key, Condition]:
    """What holds, is clear or cannot be told, by its cause; in a room of these trees and this air at rack-a."""
    states = {one.tree: one.state for one in trees}
    racks = {"rack-a": RackStatus(NOW, NOW, "rack-a", ready, None, None, states, air or AirNow())}
    standing = Standing(NOW, {one.tree: one for one in trees}, racks, tuple(sensors), tuple(doubts), True, {})
    return {one.key: one for one in conditions(standing, SETUP, tuple(watched))}


def truths(found: dict[Key, Condition], kind: str) -> dict[str, Truth]:
    return {key.subject: one.truth for key, one in found.items() if key.kind == kind}


# --- trees and racks -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("count", "told"),
    [
        (1, "one tree (t-1)"),
        (2, "2 trees (t-1, t-2)"),
        (8, "8 trees (t-1, t-2, t-3, t-4, t-5, t-6, t-7, t-8)"),
        (9, "9 trees (t-1, t-2, t-3, t-4, t-5, t-6, t-7, t-8 and 1 more)"),
    ],
)
def test_a_ready_rack_names_eight_of_its_trees_and_counts_the_rest(count: int, told: str) -> None:
    trees = [tree(f"t-{number}", State.READY) for number in range(1, count + 1)]
    found = look(*trees, tree("u-1", State.COMPLETE), ready=True)
    assert found[Key("rack-ready", "rack-a")].what == f"Rack rack-a is ready: {told}."
    assert Key("rack-ready", "rack-a") not in look(*trees)


def test_a_ready_tree_says_what_comes_next_and_by_when() -> None:
    by = NOW + timedelta(hours=5)
    (told,) = (one for key, one in look(tree(state=State.READY)).items() if key.kind == "tree-ready")
    assert told.what == "Tree t-1 (coat 3, free, on rack-a) is ready for its next coat."
    assert told.by == ""
    (more,) = (
        one
        for key, one in look(tree(state=State.READY, next_coat="seal", redip_by=by)).items()
        if key.kind == "tree-ready"
    )
    assert more.what.endswith("is ready for its next coat, seal.")
    assert more.by == "Redip by 17:00."


@pytest.mark.parametrize(
    ("state", "truth"),
    [(State.HOLD, Truth.HOLDS), (State.UNKNOWN, Truth.UNCLEAR), (State.DRYING, None), (State.READY, None)],
)
def test_what_cannot_be_told_neither_holds_nor_ends_a_hold(state: State, truth: Truth | None) -> None:
    assert truths(look(tree(state=state)), "tree-hold").get("t-1") is truth


def test_a_hold_is_told_with_its_reasons_alone_and_once_what_to_look_for() -> None:
    pockets = Reason("tail-unlearned", "nobody weighed the end.", "warning")
    again = Reason("model-doubt", "the model is doubted", "danger")
    other = Reason("airflow-assumed", "no air speed is measured", None)
    (told,) = (
        one
        for key, one in look(tree(state=State.HOLD, reasons=(pockets, again, other))).items()
        if key.kind == "tree-hold"
    )
    assert told.what.startswith(
        "Tree t-1 (coat 3, free, on rack-a) is on hold: nobody weighed the end.; the model is doubted. Signs"
    )
    assert told.what.count("places that are dark") == 1
    assert (told.severity, told.by) == ("danger", "Do it before any further dip.")
    (bare,) = (one for key, one in look(tree(state=State.HOLD)).items() if key.kind == "tree-hold")
    assert bare.what == "Tree t-1 (coat 3, free, on rack-a) is on hold: see its reasons."
    assert bare.severity is None


@pytest.mark.parametrize(
    ("wait_h", "left", "truth"),
    [
        (12.0, timedelta(hours=2), Truth.HOLDS),
        (12.0, timedelta(hours=2, seconds=1), None),
        (4.0, timedelta(hours=1), Truth.HOLDS),
        (4.0, timedelta(hours=1, seconds=1), None),
        (4.0, timedelta(0), None),
        (4.0, timedelta(seconds=1), Truth.HOLDS),
    ],
)
def test_a_window_closes_two_hours_or_a_quarter_of_the_wait_ahead(
    wait_h: float, left: timedelta, truth: Truth | None
) -> None:
    by = NOW + left
    hanging = tree(redip_by=by, dipped_at=by - timedelta(hours=wait_h))
    assert truths(look(hanging), "window-closing").get("t-1") is truth
    assert truths(look(replace(hanging, state=State.COMPLETE)), "window-closing") == {}


def test_a_window_that_nobody_can_tell_is_not_said_to_have_closed() -> None:
    assert truths(look(tree(state=State.UNKNOWN)), "window-closing") == {"t-1": Truth.UNCLEAR}
    assert truths(look(tree()), "window-closing") == {}


@pytest.mark.parametrize(("severity", "own"), [("danger", True), (None, True), ("warning", False), ("notice", False)])
def test_a_dip_over_a_wet_coat_is_a_cause_of_its_own(severity: str | None, own: bool) -> None:
    reason = Reason("redipped-early", "the coat below was wet", severity)
    (told,) = ((key, one) for key, one in look(tree(reasons=(reason,))).items() if key.kind == "redipped-early")
    assert bool(told[0].occasion) is own
    assert told[1].what == "Tree t-1 (coat 3, free, on rack-a), dipped at 06:00: the coat below was wet."
    unknown = [key for key, one in look(tree(state=State.UNKNOWN)).items() if key.kind == "redipped-early"]
    assert sorted(bool(key.occasion) for key in unknown) == [False, True]


def test_what_belonged_to_a_tree_that_is_gone_is_over_and_what_belongs_to_a_sensor_is_not() -> None:
    watched = [Key("tree-hold", "t-9", "3@x"), Key("sensor-stuck", "rack-z"), Key("redipped-early", "t-9")]
    found = look(watched=watched)
    assert [found[key].truth if key in found else None for key in watched] == [Truth.CLEAR, None, Truth.CLEAR]


# --- the air of a rack -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("humidity", "truth", "side", "severity"),
    [
        (40.0, Truth.UNCLEAR, "back in", None),
        (39.9, Truth.HOLDS, "below", "notice"),
        (44.0, Truth.UNCLEAR, "back in", None),
        (44.1, Truth.HOLDS, "above", "notice"),
        (41.0, Truth.CLEAR, "back in", None),
        (40.9, Truth.UNCLEAR, "back in", None),
        (43.0, Truth.CLEAR, "back in", None),
        (43.1, Truth.UNCLEAR, "back in", None),
        (38.7, Truth.HOLDS, "below", "notice"),
        (38.6, Truth.HOLDS, "below", "warning"),
    ],
)
def test_air_is_back_a_quarter_of_a_narrow_band_inside(
    humidity: float, truth: Truth, side: str, severity: str | None
) -> None:
    found = look(tree(coat="narrow"), air=AirNow(22.0, humidity, 1.0, co2_ppm=600.0))
    told = found[Key("air-out-of-band", "rack-a", "humidity")]
    assert told.truth is truth
    assert told.severity == severity
    assert told.what == f"The humidity at rack-a is {humidity:.3g} %RH, {side} the 40 to 44 %RH that narrow needs."
    assert bool(told.by) is (severity == "warning")


def test_a_gas_that_people_mind_is_told_in_whole_figures_with_what_to_do() -> None:
    found = look(tree(coat="narrow"), air=AirNow(22.0, 42.0, 1.0, co2_ppm=1600.4))
    told = found[Key("air-out-of-band", "rack-a", "CO2")]
    assert told.what == "The CO2 at rack-a is 1600 ppm, above the 0 to 1500 ppm asked for while narrow dries."
    assert (told.truth, told.severity, told.by) == (Truth.HOLDS, "notice", "Open up: people work here.")


def test_air_that_nobody_measures_is_not_judged() -> None:
    found = look(tree(coat="narrow"), air=AirNow(22.0, None, 1.0))
    assert truths(found, "air-out-of-band") == {"rack-a": Truth.UNCLEAR}
    for other in (tree(coat="narrow", rack="rack-b"), tree(coat="narrow", state=State.COMPLETE), tree(coat="free")):
        assert truths(look(other, air=AirNow(22.0, 80.0, 1.0)), "air-out-of-band") == {}


# --- sensors ---------------------------------------------------------------------------------------------------------


def silences(*sensors: SensorStatus) -> dict[str, Truth]:
    found = look(sensors=sensors)
    return {
        f"{key.subject} {key.occasion}".strip(): one.truth for key, one in found.items() if key.kind == "sensor-silent"
    }


def test_of_one_place_that_falls_silent_the_place_is_the_cause_and_not_the_room() -> None:
    dead = [sensor("rack-a", "temperature", "silent"), sensor("rack-a", "airflow", "silent")]
    assert silences(*dead) == {
        "every-sensor": Truth.CLEAR,
        "rack-a all-sensors": Truth.HOLDS,
        "rack-a": Truth.UNCLEAR,
        "rack-a/airflow": Truth.UNCLEAR,
    }
    two = silences(*dead, sensor("rack-b", "temperature", "silent"))
    assert {cause for cause, truth in two.items() if truth is Truth.HOLDS} == {"every-sensor"}
    assert {cause for cause, truth in two.items() if truth is Truth.CLEAR} == {"rack-b all-sensors"}
    one = silences(*dead, sensor("rack-b", "temperature"))
    assert {cause for cause, truth in one.items() if truth is Truth.HOLDS} == {"rack-a all-sensors"}


def test_a_probe_that_is_unplugged_is_no_silence_and_hides_none() -> None:
    assert silences(sensor("rack-a", "surface", "silent"), sensor("rack-b", "temperature", "silent")) == {
        "every-sensor": Truth.CLEAR,
        "rack-b all-sensors": Truth.CLEAR,
        "rack-b": Truth.HOLDS,
    }


def test_a_silence_is_told_with_its_newest_word_and_all_that_is_missing() -> None:
    quiet = [
        sensor("rack-a", "temperature", "silent", time=NOW - timedelta(hours=3)),
        sensor("rack-a", "humidity", "silent", time=NOW - timedelta(hours=2)),
        sensor("rack-a", "pressure", time=NOW),
        sensor("rack-b", "temperature", time=NOW),
    ]
    told = look(tree(), tree("t-2"), sensors=quiet)[Key("sensor-silent", "rack-a")]
    said = "Nothing heard from rack-a (humidity, temperature) since 10:00. 2 trees depend on it."
    assert (told.what, told.by) == (said, "Do it now if trees are drying.")
    gone = look(sensors=[replace(one, state=SensorState.SILENT) for one in quiet])
    room = gone[Key("sensor-silent", "every-sensor")]
    assert room.what == "Nothing heard from any sensor of the room since 12:00."


def test_a_place_is_told_by_its_name() -> None:
    dead = [sensor("rack-a", "temperature", "silent"), sensor("rack-a", "airflow", "silent")]
    told = look(sensors=[*dead, sensor("rack-b", "humidity")])[Key("sensor-silent", "rack-a", "all-sensors")]
    assert told.what == "Nothing heard from any sensor at rack-a since 11:59."


@pytest.mark.parametrize(
    ("state", "moved", "told"),
    [
        ("drifted", 4.0, "humidity 50 %RH, 4 points drier against the other sensors than in the week before; "
         "its trees are reckoned at 54 %RH meanwhile, for a week at the most"),
        ("disagrees", 60.0, "humidity 50 %RH, 60 points drier than the other places of the room say; "
         "its trees are reckoned at 100 %RH until they agree or this one is checked over a salt"),
        ("out-of-range", 0.0, "humidity 50 %RH"),
        ("too-fast", 0.0, "humidity 50 %RH"),
    ],
)  # fmt: skip
def test_what_is_doubted_says_what_is_gone_by_meanwhile(state: str, moved: float, told: str) -> None:
    found = look(sensors=[sensor("rack-a", "humidity", state, moved=moved), sensor("rack-a", "temperature")])
    doubt = found[Key("sensor-doubt", "rack-a")]
    assert (doubt.truth, doubt.what) == (Truth.HOLDS, f"rack-a reports doubtful values: {told}.")
    assert doubt.by == "Do it before you rely on it again."
    assert found[Key("sensor-stuck", "rack-a")].truth is Truth.UNCLEAR


def test_stuck_digits_are_told_and_a_silent_device_is_judged_no_more() -> None:
    stuck, fine = sensor("rack-a", "humidity", "stuck"), sensor("rack-a", "temperature")
    found = look(sensors=[stuck, fine])
    assert found[Key("sensor-stuck", "rack-a")].what == "rack-a repeats values: humidity 50 %RH."
    assert truths(found, "sensor-stuck") == {"rack-a": Truth.HOLDS}
    assert truths(found, "sensor-doubt") == {"rack-a": Truth.UNCLEAR}
    quiet = look(sensors=[stuck, replace(fine, state=SensorState.SILENT)])
    assert truths(quiet, "sensor-stuck") == {"rack-a": Truth.UNCLEAR}
    assert truths(look(sensors=[fine]), "sensor-stuck") == {"rack-a": Truth.CLEAR}


# --- doubts on cells and models --------------------------------------------------------------------------------------


def test_a_doubt_is_over_once_it_is_not_named_and_its_cell_is_heard() -> None:
    cell, coat, file = Key("cell-doubt", "cell-1"), Key("model-doubt", "free"), Key("model-doubt", "free", OF_FILE)
    heard = [sensor("rack-a", "weight", sensor="cell-1")]
    for sensors, truth in ((heard, Truth.CLEAR), ([], Truth.UNCLEAR)):
        found = look(sensors=sensors, watched=[cell, coat, file])
        assert (found[cell].truth, found[coat].truth) == (truth, Truth.CLEAR)
        assert file not in found, "one on a file is the service's to tell"
    found = look(sensors=heard, doubts=[Doubt("cell-doubt", "cell-1", "It drifts.")], watched=[cell, coat])  # type: ignore[arg-type]
    assert (found[cell].truth, found[cell].what, found[coat].truth) == (Truth.HOLDS, "It drifts.", Truth.CLEAR)
    assert found[cell].by == "Do it before you rely on it again."


def test_a_clock_that_is_known_is_clear() -> None:
    assert look()[Key("clock-unknown", "clock")].truth is Truth.CLEAR
