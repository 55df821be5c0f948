"""From what holds in the room to alarms: one for each cause, none by silence.

The times and bands are this test's own room; 1 h before and after are read off a clock, not worked out by the code.
"""

from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from drymon.shop.alarms.alarm_book import AlarmBook
from drymon.shop.alarms.conditions import conditions
from drymon.shop.alarms.raising import update
from drymon.shop.facts.local_time import say
from drymon.shop.facts.outcome import (
    AirNow,
    Alert,
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
from drymon.shop.verdict.judge import expected_words

NOW = datetime(2031, 3, 3, 6, tzinfo=UTC)
SETUP = RoomSetup(
    "shop",
    timezone="Europe/Berlin",
    racks=(Rack("rack-a", air=("rack-a", "room")), Rack("rack-b", air=("rack-b", "room"))),
    coats=(CoatType("prime", "prime", room=Band((20, 26), (35, 55), (1, 4))), CoatType("backup", "backup")),
)


def tree(name: str = "t-1", state: State = State.DRYING, *codes: str, **more: object) -> Verdict:
    verdict = Verdict(
        NOW, NOW, name, "rack-a", "prime", 1, NOW, state, None, When(None, None, None), None,
        tuple(Reason(code, f"because of {code}") for code in codes), next_coat="backup",
    )  # fmt: skip
    return replace(verdict, **more)


def sensor(place: str, quantity: str, state: str = "ok", name: str = "", at: datetime = NOW) -> SensorStatus:
    return SensorStatus(place, quantity, name, at, 50.0, "%RH", SensorState(state))


class Room:
    """A standing that the test changes, a book that follows it minute by minute."""

    def __init__(self) -> None:
        self.book, self.minute = AlarmBook(), -1
        self.trees: list[Verdict] = []
        self.sensors: list[SensorStatus] = []
        self.on_cells: dict[str, str] = {}
        self.air, self.ready, self.doubts, self.clock = AirNow(22, 45, 2), False, tuple[Doubt, ...](), True

    def run(self, minutes: int = 1) -> list[Alert]:
        alerts: list[Alert] = []
        for _ in range(minutes):
            self.minute += 1
            standing = self._standing(NOW + timedelta(minutes=self.minute))
            found = conditions(standing, SETUP, self.book.entries)
            self.book, new = update(self.book, standing.time, found)
            alerts += new
        return alerts

    def _states(self, rack: str) -> dict[str, State]:
        return {verdict.tree: verdict.state for verdict in self.trees if verdict.rack == rack}

    def _standing(self, now: datetime) -> Standing:
        racks = {
            rack: RackStatus(now, now, rack, self.ready, None, None, self._states(rack), self.air)
            for rack in ("rack-a", "rack-b")
        }
        sensors = tuple(self.sensors)
        return Standing(now, {v.tree: v for v in self.trees}, racks, sensors, self.doubts, self.clock, self.on_cells)


@pytest.fixture
def room() -> Room:
    return Room()


def said(alerts: Iterable[Alert]) -> list[tuple[str, str, str]]:
    return [(alert.kind, alert.subject, alert.state) for alert in alerts]


def test_a_dead_sensor_under_forty_trees_is_one_alarm(room: Room) -> None:
    room.trees = [tree(f"t-{n}", State.READY) for n in range(40)]
    room.sensors = [sensor("rack-a", "temperature"), sensor("rack-a", "humidity"), sensor("rack-b", "temperature")]
    room.run()
    room.trees = [tree(f"t-{n}", State.UNKNOWN, "air-unknown") for n in range(40)]
    room.sensors[:2] = [sensor("rack-a", "temperature", "silent"), sensor("rack-a", "humidity", "silent")]
    room.air = AirNow()
    alerts = room.run(120)
    assert said(a for a in alerts if a.state == "raised") == [("sensor-silent", "rack-a", "raised")]
    assert "40 trees depend on it" in next(a.text for a in alerts if a.state == "raised")
    withdrawn = {alert.kind for alert in alerts if alert.state == "cleared"}
    assert withdrawn == {"tree-ready"}, "nothing that cannot be told may go on being called ready"


@pytest.mark.parametrize(
    ("silent", "depend"),
    [
        (sensor("room", "temperature", "silent"), ""),  # both racks have their own
        (sensor("rack-a", "humidity", "silent"), " 3 trees depend on it."),
        (sensor("rack-b", "humidity", "silent"), " One tree depends on it."),
        (sensor("rack-a", "weight", "silent", "cell-1"), " One tree depends on it."),
        (sensor("rack-a", "weight", "silent", "cell-2"), ""),
        (sensor("rack-a", "humidity", "silent", "second"), ""),  # the other one of its place goes on
        (sensor("rack-a", "pressure", "silent"), ""),
        (sensor("room", "airflow", "silent"), " 4 trees depend on it."),  # the only one of the room
    ],
)
def test_trees_that_depend_are_those_that_go_by_the_sensor(room: Room, silent: SensorStatus, depend: str) -> None:
    room.trees = [tree(name) for name in ("t-1", "t-2", "t-3")] + [tree("t-4", rack="rack-b")]
    room.on_cells = {"cell-1": "t-2"}
    places = ("rack-a", "rack-b", "room")
    heard = [sensor(place, quantity) for place in places for quantity in ("temperature", "humidity")]
    same = [
        one for one in heard if (one.place, one.quantity, one.sensor) != (silent.place, silent.quantity, silent.sensor)
    ]
    room.sensors = [*same, silent]
    (told,) = room.run(5)
    assert f"since 07:00.{depend} Without" in told.text


def test_what_is_over_keeps_its_beginning_while_the_next_silence_begins(room: Room) -> None:
    def silent_since(hour: int) -> list[SensorStatus]:
        at = NOW + timedelta(hours=hour)
        return [sensor("rack-a", "temperature", "silent", at=at), sensor("rack-b", "temperature")]

    room.sensors = silent_since(0)
    assert "since 07:00" in room.run(5)[0].text
    room.sensors = [sensor("rack-a", "temperature"), sensor("rack-b", "temperature")]
    assert "since 07:00" in room.run(5)[0].text
    room.sensors = silent_since(3)
    assert room.run(1) == []
    assert ["since 07:00" in entry.what for entry in room.book.standing()] == [True]
    assert "since 10:00" in room.run(3)[0].text


def test_what_is_not_ready_any_more_is_not_said_to_be(room: Room) -> None:
    room.trees, room.ready = [tree("otter", State.READY)], True
    room.run(10)
    room.trees, room.ready = [tree("otter", State.DRYING, "wet")], False
    told = [(alert.kind, alert.text) for alert in room.run()]
    assert told == [
        ("rack-ready", "Rack rack-a is not called ready any more. It was for 10 min."),
        ("rack-ready", "Rack rack-b is not called ready any more. It was for 10 min."),
        ("tree-ready", "Tree otter is not called ready any more. It was for 10 min."),
    ]


def test_quantities_that_fall_silent_one_after_the_other_are_one_alarm(room: Room) -> None:
    room.sensors = [sensor("rack-a", "temperature", "silent"), sensor("rack-a", "humidity"), sensor("room", "pressure")]
    alerts = room.run(5)
    room.sensors[1] = sensor("rack-a", "humidity", "silent")
    assert said(alerts + room.run(100)) == [("sensor-silent", "rack-a", "raised")]


def test_where_everything_is_silent_the_room_is_the_cause(room: Room) -> None:
    places = ("rack-a", "rack-b", "room")
    room.sensors = [sensor(place, "temperature") for place in places]
    room.run(3)
    room.sensors = [sensor(place, "temperature", "silent") for place in places]
    alerts = room.run(60)
    assert said(alerts) == [("sensor-silent", "every-sensor", "raised")]
    room.sensors[0] = sensor("rack-a", "temperature")
    assert sorted(said(room.run(10))) == [
        ("sensor-silent", "every-sensor", "cleared"),
        ("sensor-silent", "rack-b", "raised"),
        ("sensor-silent", "room", "raised"),
    ], "what stays silent has its own alarms once the rest is back"


def test_a_place_whose_devices_are_all_silent_is_one_alarm(room: Room) -> None:
    quiet = [sensor("rack-a", "temperature", "silent"), sensor("rack-a", "airflow", "silent", "an-1")]
    room.sensors = [*quiet, sensor("room", "temperature")]
    assert said(room.run(30)) == [("sensor-silent", "rack-a", "raised")]


def test_a_last_known_value_that_grows_old_is_silence(room: Room) -> None:
    """The broker's retained value: after ten minutes (stale_after_min) without a live one nobody is there."""
    room.sensors = [sensor("rack-a", "temperature", "retained"), sensor("room", "temperature")]
    assert room.run(10) == []
    assert said(room.run(5)) == [("sensor-silent", "rack-a", "raised")]


def test_while_a_sensor_is_silent_its_value_alarms_say_nothing(room: Room) -> None:
    room.trees = [tree()]
    room.sensors = [sensor("rack-a", "humidity"), sensor("room", "temperature")]
    room.air = AirNow(22, 70, 2)
    assert said(room.run(12)) == [("air-out-of-band", "rack-a", "raised")]
    room.air, room.sensors[0] = AirNow(22, None, 2), sensor("rack-a", "humidity", "silent")
    alerts = room.run(600)
    assert {alert.kind for alert in alerts} == {"sensor-silent"}
    assert "air-out-of-band" in {entry.key.kind for entry in room.book.standing()}, "silence did not clear it"


def test_air_out_of_band_after_ten_minutes_and_back_beyond_the_deadband(room: Room) -> None:
    """55 %RH is the limit; the deadband is 2 %RH: 54 is not back, 52 is."""
    room.trees = [tree()]
    room.air = AirNow(22, 55.5, 2)
    assert room.run(10) == []
    alerts = room.run(1)
    assert said(alerts) == [("air-out-of-band", "rack-a", "raised")]
    assert "55.5 %RH, above the 35 to 55 %RH that prime needs" in alerts[0].text
    room.air = AirNow(22, 54, 2)
    assert room.run(120) == []
    room.air = AirNow(22, 52, 2)
    assert room.run(10) == []
    assert said(room.run(1)) == [("air-out-of-band", "rack-a", "cleared")]


@pytest.mark.parametrize(
    ("air", "back"),
    [
        (AirNow(22, 53.0, 2), True), (AirNow(22, 53.1, 2), False), (AirNow(22, 37.0, 2), True),
        (AirNow(22, 36.9, 2), False), (AirNow(20.5, 45, 2), True), (AirNow(20.4, 45, 2), False),
        (AirNow(25.5, 45, 2), True), (AirNow(25.6, 45, 2), False), (AirNow(22, 45, 1.1), True),
        (AirNow(22, 45, 1.05), False), (AirNow(22, 45, 3.9), True), (AirNow(22, 45, 3.95), False),
    ],
)  # fmt: skip
def test_air_is_back_from_its_deadband_on_at_either_end(room: Room, air: AirNow, back: bool) -> None:
    """2 %RH, half a kelvin, a tenth of a metre a second inside of 35 to 55, 20 to 26 and 1 to 4."""
    room.trees = [tree()]
    room.air = AirNow(40.0, 90.0, 9.0)
    room.run(11)
    room.air = air
    cleared = [alert for alert in room.run(30) if alert.state == "cleared"]
    assert len(cleared) == (3 if back else 2)


@pytest.mark.parametrize(
    ("air", "severity"),
    [
        (AirNow(22, 61.6, 2), "notice"), (AirNow(22, 61.7, 2), "warning"), (AirNow(22, 28.4, 2), "notice"),
        (AirNow(22, 28.3, 2), "warning"), (AirNow(28.0, 45, 2), "notice"), (AirNow(28.1, 45, 2), "warning"),
    ],
)  # fmt: skip
def test_air_a_third_of_its_band_outside_is_a_warning(room: Room, air: AirNow, severity: str) -> None:
    room.trees = [tree()]
    room.air = air
    (alert,) = room.run(11)
    assert alert.severity == severity


def test_two_things_wrong_with_the_air_are_two_alarms(room: Room) -> None:
    room.trees = [tree()]
    room.air = AirNow(28, 30, 2)
    alerts = room.run(11)
    assert said(alerts) == [("air-out-of-band", "rack-a", "raised")] * 2
    assert len({alert.id for alert in alerts}) == 2


@pytest.mark.parametrize(
    "change",
    [{"state": State.COMPLETE}, {"coat": "backup"}, {"rack": "rack-b", "coat": "backup"}, {"coat": "never-heard-of"}],
)
def test_air_is_judged_only_for_coats_that_hang_there_and_set_a_band(room: Room, change: dict[str, object]) -> None:
    room.trees = [replace(tree(), **change)]
    room.air = AirNow(40, 90, 9)
    assert room.run(60) == []


def test_an_assumed_air_speed_is_no_evidence(room: Room) -> None:
    room.trees = [tree()]
    room.air = AirNow(22, 45, 0.2, airflow_assumed=True)
    assert room.run(60) == []


def test_ready_is_told_and_withdrawn(room: Room) -> None:
    room.trees, room.ready = [tree(state=State.READY)], True
    alerts = room.run()
    assert said(alerts)[-1] == ("tree-ready", "t-1", "raised")
    assert ("rack-ready", "rack-a", "raised") in said(alerts)
    assert "dewax or pour" in alerts[-1].text
    room.trees, room.ready = [tree(state=State.UNKNOWN)], False
    assert {alert.state for alert in room.run()} == {"cleared"}


def test_a_hold_lasts_through_the_unknown_until_somebody_has_looked(room: Room) -> None:
    room.trees = [tree("t-1", State.HOLD, "too-fast", "swing")]
    alerts = room.run()
    assert said(alerts) == [("tree-hold", "t-1", "raised")]
    assert "because of too-fast; because of swing" in alerts[0].text
    room.trees = [tree("t-1", State.UNKNOWN, "air-unknown")]
    assert room.run(120) == []
    room.trees = [tree("t-1", State.DRYING, "wet")]
    assert said(room.run()) == [("tree-hold", "t-1", "cleared")]


def test_each_early_redip_is_told(room: Room) -> None:
    room.trees = [tree("t-1", State.DRYING, "wet", "redipped-early")]
    assert said(room.run(2)) == [("redipped-early", "t-1", "raised")]
    later = {"number": 2, "dipped_at": NOW + timedelta(minutes=2)}
    room.trees = [tree("t-1", State.DRYING, "wet", "redipped-early", **later)]
    assert sorted(said(room.run())) == [("redipped-early", "t-1", "cleared"), ("redipped-early", "t-1", "raised")]


def test_a_closing_window_is_told_two_hours_ahead_in_the_rooms_time(room: Room) -> None:
    """Dipped at 06:00 UTC, to be redipped by 18:00 UTC, which is 19:00 in Berlin: told at 16:00 UTC, after 600 min."""
    room.trees = [tree(redip_by=NOW + timedelta(hours=12))]
    assert room.run(600) == []
    alerts = room.run()
    assert said(alerts) == [("window-closing", "t-1", "raised")]
    assert "Redip by 19:00." in alerts[0].text


def test_past_the_window_the_hold_takes_over(room: Room) -> None:
    room.trees = [tree(redip_by=NOW + timedelta(hours=4))]
    assert [alert.kind for alert in room.run(239)][:1] == ["window-closing"]
    room.run(1)
    room.trees = [tree("t-1", State.HOLD, "too-long", redip_by=NOW + timedelta(hours=4))]
    assert sorted(said(room.run())) == [("tree-hold", "t-1", "raised"), ("window-closing", "t-1", "cleared")]


def test_what_belongs_to_a_tree_goes_with_it(room: Room) -> None:
    room.trees = [tree("t-1", State.HOLD, "swing", "redipped-early")]
    assert len(room.run()) == 2
    room.trees = []
    assert {alert.state for alert in room.run()} == {"cleared"}
    assert room.book.standing() == []


@pytest.mark.parametrize(("state", "kind"), [("stuck", "sensor-stuck"), ("out-of-range", "sensor-doubt")])
def test_a_sensor_that_cannot_be_believed(room: Room, state: str, kind: str) -> None:
    room.sensors = [sensor("rack-a", "humidity", state)]
    alerts = room.run(11)
    assert said(alerts) == [(kind, "rack-a", "raised")]
    assert "humidity 50 %RH" in alerts[0].text
    room.sensors = [sensor("rack-a", "humidity", "retained", at=NOW + timedelta(days=9))]
    assert room.run(60) == [], "a last known value is no proof of health"
    room.sensors = [sensor("rack-a", "humidity")]
    assert said(room.run(11)) == [(kind, "rack-a", "cleared")]


def test_a_doubted_cell_stays_doubted_while_it_says_nothing(room: Room) -> None:
    room.sensors = [sensor("rack-a", "weight", name="cell-1")]
    room.doubts = (Doubt("cell-doubt", "cell-1", "cell-1 drifts by 40 g an hour."),)
    assert said(room.run(6)) == [("cell-doubt", "cell-1", "raised")]
    room.doubts, room.sensors = (), [sensor("rack-a", "weight", "silent", "cell-1")]
    assert "cell-doubt" not in {alert.kind for alert in room.run(600)}
    room.sensors = [sensor("rack-a", "weight", name="cell-1")]
    assert ("cell-doubt", "cell-1", "cleared") in said(room.run(31))


def test_an_unknown_clock(room: Room) -> None:
    room.clock = False
    assert said(room.run()) == [("clock-unknown", "clock", "raised")]
    room.clock = True
    assert said(room.run()) == [("clock-unknown", "clock", "cleared")]


@pytest.mark.parametrize(
    ("moment", "text"),
    [
        ("2031-03-03T22:30Z", "23:30"),
        ("2031-03-03T23:30Z", "Tue 00:30"),
        ("2031-04-30T22:30Z", "2031-05-01 00:30"),
        ("2031-03-09T08:00Z", "Sun 09:00"),
        ("2031-03-09T22:00Z", "Sun 23:00"),
        ("2031-03-09T23:00Z", "2031-03-10 00:00"),
    ],
)
def test_times_are_said_on_the_rooms_clock(moment: str, text: str) -> None:
    """Berlin: UTC+1 in winter, UTC+2 in summer; 4 March 2031 is a Tuesday."""
    assert say(datetime.fromisoformat(moment), NOW, "Europe/Berlin") == text
    berlin = ZoneInfo("Europe/Berlin")
    assert say(datetime.fromisoformat(moment), NOW, berlin) == text
    when = When(None, datetime.fromisoformat(moment), None)
    assert expected_words(when, NOW, berlin) == f"expected {text} (now to beyond 14 days)", "verdicts say it alike"
