"""The door: readings and log events in, everything else refused with its reason."""

import json
import re
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drymon.drying.quantities import Quantity
from drymon.errors import RefusedMessage
from drymon.messages.message import Message
from drymon.messages.parse import Parsed, Parser
from drymon.messages.payload import Number
from drymon.shop.facts.events import ClockChecked, Dip, FanSwitched, Felt, Leave, Look, Move, Undo, Weigh
from drymon.shop.facts.reading import Reading

NOON = datetime(2031, 3, 3, 12, tzinfo=UTC)
TEMPERATURE = "drymon/shop/rack-a/temperature"


@pytest.fixture(scope="module")
def parser(config):
    return Parser(config)


@pytest.fixture(scope="module")
def parse(parser, heard):
    def parse(topic, payload, **more):
        text = payload if isinstance(payload, str | bytes) else json.dumps(payload)
        return parser.parse(heard(topic, text, **more))

    return parse


@pytest.fixture(scope="module")
def refusal(parse):
    def refusal(topic, payload, **more):
        with pytest.raises(RefusedMessage) as caught:
            parse(topic, payload, **more)
        return str(caught.value)

    return refusal


@pytest.mark.parametrize(
    ("payload", "value"),
    [
        ("21.5", 21.5),
        (" 21.5\r\n", 21.5),
        ("-3", -3),
        ("+2.1e1", 21),
        (".5", 0.5),
        ("5.", 5),
        ({"value": 21}, 21),
        ({"value": 71.6, "unit": "degF"}, 22),
        ({"value": 295.15, "unit": "K"}, 22),
        ({"value": 1, "unit": None, "time": None}, 1),
        ({"value": 22, "battery_v": 3.1, "rssi": -70}, 22),
    ],
)
def test_a_reading_in_any_form(parse, payload, value) -> None:
    (reading,) = parse(TEMPERATURE, payload).items
    assert reading.value == pytest.approx(value)
    assert (reading.place, reading.quantity, reading.sensor) == ("rack-a", Quantity.TEMPERATURE, "")
    assert (reading.time, reading.timed, reading.retained) == (NOON, False, False)


def test_the_payloads_time_and_numbering_are_kept(parse) -> None:
    payload = {"value": 50, "time": "2031-03-03T13:59:00.25+02:00", "device": "node-1", "boot": 7, "seq": 41}
    (reading,) = parse("drymon/shop/room/humidity/desk", payload).items
    assert reading.time == datetime(2031, 3, 3, 11, 59, 0, 250_000, UTC)
    assert (reading.timed, reading.sensor, reading.place) == (True, "desk", "room")
    assert (reading.device, reading.boot, reading.seq) == ("node-1", "7", 41)


@pytest.mark.parametrize(
    ("payload", "seq"),
    [
        ('{"value": NaN, "device": "n-1", "boot": 7, "seq": 41}', 41),
        ('{"valu": 21, "device": "n-1", "boot": 7, "seq": 0}', 0),
        ('{"value": "wet", "device": "n-1", "boot": 7}', None),
        ('{"value": "wet", "device": "n-1", "seq": 41}', None),
        ('"seq"', None),
        ('["seq"]', None),
        ("wet", None),
        ("[" * 20_000, None),
    ],
)
def test_a_refused_message_keeps_its_number_where_it_has_one(parser, heard, refusal, payload, seq) -> None:
    """Its node waits until that number is covered."""
    why = refusal(TEMPERATURE, payload)
    refused = parser.refused(heard(TEMPERATURE, payload), why)
    assert refused == Parsed(refusals=(why,), number=None if seq is None else Number("n-1", "7", seq))


def test_a_number_in_a_message_of_another_maker_is_not_ours(parser, heard) -> None:
    payload = '{"temp_f": "wet", "device": "n-1", "boot": 7, "seq": 41}'
    assert parser.refused(heard("workshop/thermo3", payload), "wet").number is None


def test_eight_levels_of_json_are_read_and_nine_are_not(parse, refusal) -> None:
    """The message itself is the first; however empty the innermost is."""
    for innermost in ("[]", "{}"):
        deep = '{"value": 21, "more": ' + "[" * 6 + innermost + "]" * 6 + "}"
        assert parse(TEMPERATURE, deep).items[0].value == 21
        assert "nested" in refusal(TEMPERATURE, deep.replace(innermost, f"[{innermost}]"))


def test_a_time_a_little_ahead_is_kept_as_it_is(parse) -> None:
    (reading,) = parse(TEMPERATURE, {"value": 20, "time": "2031-03-03T12:04:59Z"}).items
    assert reading.time == NOON + timedelta(minutes=4, seconds=59)
    assert reading.arrived == NOON


def test_retained_readings_are_marked(parse) -> None:
    assert parse(TEMPERATURE, "20", retain=True).items[0].retained


def test_doubtful_values_get_through(parse) -> None:
    """They are for the shop floor to flag: 60 degC in a drying room, 105 %RH from a wet sensor."""
    assert parse(TEMPERATURE, "60").items[0].value == 60
    assert parse("drymon/shop/rack-a/humidity", "105").items[0].value == 105


@pytest.mark.parametrize(
    ("topic", "payload", "told"),
    [
        (TEMPERATURE, "NaN", "allowed is a number"),
        (TEMPERATURE, "inf", "allowed is a number"),
        (TEMPERATURE, "21,5", "decimal point"),
        (TEMPERATURE, "1_0", "allowed is a number"),
        (TEMPERATURE, "21.5 C", "allowed is a number"),
        (TEMPERATURE, "true", "allowed is a number"),
        (TEMPERATURE, "", "received nothing"),
        (TEMPERATURE, b"\xff\x00\xfe", "UTF-8"),
        (TEMPERATURE, "1" * 400, "beyond all bounds"),
        (TEMPERATURE, " " * 70_000, "at most 65536"),
        (TEMPERATURE, '{"value": NaN}', "NaN"),
        (TEMPERATURE, '{"value": 1e999}', "beyond all bounds"),
        (TEMPERATURE, '{"value": ' + "9" * 400 + "}", "beyond all bounds"),
        (TEMPERATURE, '{"value": true}', "not in quotes"),
        (TEMPERATURE, '{"value": "21"}', "not in quotes"),
        (TEMPERATURE, '{"value": [21]}', "not in quotes"),
        (TEMPERATURE, '{"value": 21, "value": 22}', "twice"),
        (TEMPERATURE, '{"value": ' + "[" * 20_000, "nested"),
        (TEMPERATURE, '{"value": 1, "more": ' + "[" * 50 + "]" * 50 + "}", "nested"),
        (TEMPERATURE, '{"value": 21', "allowed is JSON"),
        (TEMPERATURE, "[21]", "senml"),
        (TEMPERATURE, {"unit": "Cel"}, "value: is missing"),
        (TEMPERATURE, {"value": 21, "unit": 5}, "allowed is text"),
        (TEMPERATURE, {"value": 21, "unit": "%RH"}, "a unit of humidity"),
        (TEMPERATURE, {"value": 21, "uint": "degF"}, "did you mean unit"),
        (TEMPERATURE, {"value": 21, "Time": "x"}, "did you mean time"),
        (TEMPERATURE, {"value": 21, "time": "2031-03-03T12:00:00"}, "offset"),
        (TEMPERATURE, {"value": 21, "time": "1970-01-01T00:00:00Z"}, "clock"),
        (TEMPERATURE, {"value": 21, "time": "2090-01-01T00:00:00Z"}, "clock"),
        (TEMPERATURE, {"value": 21, "seq": 5}, "together"),
        (TEMPERATURE, {"value": 21, "device": "n", "boot": 1, "seq": -1}, "whole number"),
        (TEMPERATURE, {"value": 21, "device": "a/b", "boot": 1, "seq": 1}, "device"),
        ("drymon/shop/rack-a/humidity", "400", "0 to 110"),
        ("drymon/shop/rack-a/weight", "5", "cell"),
        ("drymon/shop/rack-a/surface", "5", "probe"),
        ("drymon/shop/rack-a/smell", "5", "temperature, humidity"),
        ("drymon/shop/rack-z/temperature", "5", "rack-a, rack-b, room"),
        ("drymon/forge/rack-a/temperature", "5", "this room, shop"),
        ("drymon/shop/rack-a/temperature/Left", "5", "a-z, 0-9"),
        ("drymon/shop/rack-a/temperature/" + "x" * 41, "5", "1 to 40"),
        ("drymon/shop/rack-a/temperature/a/b", "5", "<sensor>"),
        ("drymon/shop/rack-a/temperature/", "5", "<sensor>"),
        ("drymon/shop/rack-a/temperature/a+b", "5", "wildcards"),
        ("drymon/shop/rack-a", "5", "<quantity>"),
        ("elsewhere", "5", "<quantity>"),
        ("drymon/shop/rack-a/+", "5", "wildcards"),
        ("drymon/shop/log/dip/x", "{}", "log/<event>"),
        ("drymon/shop/log/dance", "{}", "dip, weigh"),
    ],
)
def test_bad_readings_and_topics(refusal, topic, payload, told) -> None:
    text = refusal(topic, payload)
    assert told in text
    assert re.search("received|missing", text), "it says what came, or what did not"


def test_mqtt_limits_on_topics(refusal, published) -> None:
    """OASIS MQTT 5, sections 1.5.4 and 4.7.3."""
    limits = {row["item"]: row["value"] for row in published("mqtt_limits")}
    longest = int(limits["UTF-8 encoded string, maximum"])
    assert str(longest) in refusal("a" * (longest + 1), "5")
    assert "<quantity>" in refusal("a" * longest, "5")
    assert "at least one" in refusal("", "5")
    for letter in ("\0", "\ud800"):
        assert "topic" in refusal(f"drymon/shop/{letter}/x", "5")


def test_senml_on_a_place(parse) -> None:
    pack = [
        {"bn": "urn:dev:ow:10e2073a01080063:", "bt": 1930305540, "n": "temperature", "u": "Cel", "v": 22.5},
        {"n": "humidity", "u": "%RH", "v": 51},
        {"n": "voltage", "u": "V", "v": 3.1},
        {"n": "humidity", "vs": "wet"},
    ]
    parsed = parse("drymon/shop/rack-b/senml", pack)
    assert [(r.quantity, r.value, r.sensor, r.place) for r in parsed.items] == [
        ("temperature", 22.5, "10e2073a01080063", "rack-b"),
        ("humidity", 51, "10e2073a01080063", "rack-b"),
    ]
    assert all(r.timed and r.time == NOON - timedelta(seconds=60) for r in parsed.items)
    assert len(parsed.refusals) == 2
    assert "voltage" in parsed.refusals[1]


def test_senml_names_with_slashes_and_without_sensor(parse) -> None:
    pack = [
        {"n": "2001:db8::2/temperature", "v": 20},
        {"n": "humidity", "v": 0.5, "u": "/"},
        {"n": "cell-1/weight", "v": 2},
    ]
    found = parse("drymon/shop/room/senml", pack).items
    assert [(r.quantity, r.sensor, r.value) for r in found] == [
        ("temperature", "2", 20),
        ("humidity", "", 50),
        ("weight", "cell-1", 2),
    ]


def test_senml_age_is_no_time_of_its_own(parse) -> None:
    """A node without a clock says how old its values are; repeats cannot be told by that."""
    (reading,) = parse("drymon/shop/room/senml", [{"n": "temperature", "v": 20, "t": -30}]).items
    assert (reading.time, reading.timed) == (NOON - timedelta(seconds=30), False)


def test_senml_without_any_use_is_refused(refusal) -> None:
    assert "voltage" in refusal("drymon/shop/room/senml", [{"n": "voltage", "v": 3}])
    assert "cell" in refusal("drymon/shop/room/senml", [{"n": "weight", "v": 3}])
    assert "clock" in refusal("drymon/shop/room/senml", [{"n": "humidity", "v": 3, "t": 1e9}])
    assert "allowed is a JSON array" in refusal("drymon/shop/room/senml", "{}")


def test_foreign_sensors(parse, refusal) -> None:
    (reading,) = parse("workshop/thermo3", {"temp_f": 71.6, "Unit": "F"}).items
    assert (reading.place, reading.sensor, reading.value) == ("rack-b", "workshop-thermo3", pytest.approx(22))
    assert parse("workshop/thermo3", {"temp_f": "71.6"}).items[0].value == pytest.approx(22)
    both = parse("workshop/station", {"air": {"rh": 40, "t": 21}}).items
    assert [(r.quantity, r.value) for r in both] == [("humidity", 40), ("temperature", 21)]
    assert parse("workshop/plain", "1013.25").items[0].value == pytest.approx(101_325)
    assert "temp_f" in refusal("workshop/thermo3", {"temp_c": 20})
    half = parse("workshop/station", {"air": {"rh": 40, "t": None}})
    assert (len(half.items), len(half.refusals)) == (1, 1)


DIP = {"tree": "t-7", "rack": "rack-a", "coat": "backup"}


@pytest.mark.parametrize(
    ("event", "payload", "expected"),
    [
        ("dip", DIP, Dip(time=NOON, arrived=NOON, tree="t-7", rack="rack-a", coat="backup")),
        (
            "dip",
            {
                **DIP,
                "number": 4,
                "shelter": "deep",
                "cell": "cell-1",
                "probe": "p",
                "recipe": "standard",
                "id": 17,
                "by": "jo",
            },
            Dip(
                time=NOON,
                arrived=NOON,
                tree="t-7",
                rack="rack-a",
                coat="backup",
                number=4,
                shelter="deep",
                cell="cell-1",
                probe="p",
                recipe="standard",
                id="17",
                by="jo",
            ),
        ),
        (
            "dip",
            {**DIP, "coat": "never-heard-of"},
            Dip(time=NOON, arrived=NOON, tree="t-7", rack="rack-a", coat="never-heard-of"),
        ),
        ("weigh", {"tree": "t-7", "mass": 500, "unit": "g"}, Weigh(time=NOON, arrived=NOON, tree="t-7", mass=0.5)),
        ("felt", {"tree": "t-7", "finding": "dry"}, Felt(time=NOON, arrived=NOON, tree="t-7", finding="dry")),
        (
            "felt",
            {"tree": "t-7", "finding": "wet", "where": "pocket"},
            Felt(time=NOON, arrived=NOON, tree="t-7", finding="wet", where="pocket"),
        ),
        (
            "look",
            {"tree": "t-7", "finding": "sound", "note": "fine"},
            Look(time=NOON, arrived=NOON, tree="t-7", finding="sound", note="fine"),
        ),
        ("move", {"tree": "t-7", "rack": "rack-b"}, Move(time=NOON, arrived=NOON, tree="t-7", rack="rack-b")),
        ("leave", {"tree": "t-7"}, Leave(time=NOON, arrived=NOON, tree="t-7")),
        ("undo", {"tree": "t-7"}, Undo(time=NOON, arrived=NOON, tree="t-7")),
        ("undo", {"tree": "t-7", "entry": "e-1"}, Undo(time=NOON, arrived=NOON, tree="t-7", entry="e-1")),
        ("fan", {"rack": "rack-a", "on": False}, FanSwitched(time=NOON, arrived=NOON, rack="rack-a", on=False)),
        ("clock", {"known": False}, ClockChecked(time=NOON, arrived=NOON, known=False)),
    ],
)
def test_log_events(parse, event, payload, expected) -> None:
    assert parse(f"drymon/shop/log/{event}", payload).items == (expected,)


def test_a_log_event_cannot_have_happened_after_it_was_told(parse) -> None:
    ahead = {**DIP, "time": "2031-03-03T12:00:24Z"}
    (event,) = parse("drymon/shop/log/dip", ahead).items
    assert event.time == event.arrived == NOON


def test_a_dip_of_several_trees_is_one_of_each_with_ids_of_their_own(parse) -> None:
    said = {"trees": ["t-7", "t-8"], "rack": "rack-a", "coat": "backup", "id": "abc", "by": "jo"}
    items = parse("drymon/shop/log/dip", said).items
    assert [(dip.tree, dip.coat, dip.rack, dip.id, dip.by) for dip in items] == [
        ("t-7", "backup", "rack-a", "abc-1", "jo"),
        ("t-8", "backup", "rack-a", "abc-2", "jo"),
    ]
    assert [dip.id for dip in parse("drymon/shop/log/dip", {**said, "id": 0}).items] == ["0-1", "0-2"]


def test_what_is_strange_of_several_trees_is_told_once(parse) -> None:
    parsed = parse(
        "drymon/shop/log/dip", {"trees": ["t-7", "t-8"], "rack": "rack-a", "coat": "backup", "shleter": "open"}
    )
    (told,) = parsed.refusals
    assert "did you mean shelter?" in told
    assert len(parsed.items) == 2


def test_a_log_event_told_later(parse) -> None:
    (dip,) = parse("drymon/shop/log/dip", {**DIP, "time": "2031-03-03T09:00:00Z"}).items
    assert (dip.time, dip.arrived) == (NOON - timedelta(hours=3), NOON)


@pytest.mark.parametrize(
    ("event", "payload", "told"),
    [
        ("dip", {**DIP, "rack": "rack-z"}, "rack-a, rack-b"),
        ("dip", {**DIP, "shelter": "half"}, "'open', 'pocketed' or 'deep'"),
        ("dip", {**DIP, "number": 0}, "1 to 99"),
        ("dip", {**DIP, "number": 100}, "1 to 99"),
        ("dip", {**DIP, "number": "4"}, "whole number"),
        ("dip", {**DIP, "tree": "T 7"}, "a-z, 0-9"),
        ("dip", {**DIP, "tree": "a/b"}, "a-z, 0-9"),
        ("dip", {**DIP, "tree": "t-7\n"}, "a-z, 0-9"),
        ("dip", {"tree": "t-7", "rack": "rack-a"}, "coat: is missing"),
        ("dip", {**DIP, "id": "x" * 201}, "200"),
        ("dip", {**DIP, "id": True}, "text"),
        ("dip", {**DIP, "time": "yesterday"}, "RFC 3339"),
        ("dip", {**DIP, "time": "1970-01-01T00:00:00Z"}, "clock"),
        ("dip", "[]", "JSON object"),
        ("dip", "dip it", "JSON"),
        ("dip", "", "nothing"),
        ("dip", '{"tree": "\\ud800"}', "well-formed"),
        ("dip", {**DIP, "shleter": "deep", "number": 0}, "did you mean shelter?"),
        ("dip", {**DIP, "trees": ["t-8"]}, "only of a dip of one tree"),
        (
            "dip",
            {"trees": ["t-7", "t-8"], "rack": "rack-a", "coat": "backup", "cell": "cell-1"},
            "cell: received with trees",
        ),
        ("dip", {"trees": [], "rack": "rack-a", "coat": "backup"}, "1 to 100 different names"),
        ("dip", {"trees": ["t-7", "t-7"], "rack": "rack-a", "coat": "backup"}, "1 to 100 different names"),
        ("dip", {"trees": "t-7", "rack": "rack-a", "coat": "backup"}, "1 to 100 different names"),
        ("dip", {"trees": ["t-7", "T 8"], "rack": "rack-a", "coat": "backup"}, "a-z, 0-9"),
        ("dip", {"trees": ["t-7"], "rack": "rack-a", "coat": "backup", "id": True}, "text"),
        ("weigh", {"tree": "t-7", "mass": "5"}, "a number"),
        ("weigh", {"tree": "t-7", "mass": 7.5, "units": "lb"}, "did you mean unit?"),
        ("weigh", {"tree": "t-7", "mass": 5, "unit": "stone"}, "kg, g, lb, oz"),
        ("weigh", {"tree": "t-7", "mass": 0}, "more than nothing"),
        ("weigh", {"tree": "t-7", "mass": 9999}, "2000"),
        ("felt", {"tree": "t-7", "finding": "damp"}, "'wet' or 'dry'"),
        ("felt", {"tree": "t-7", "finding": "dry", "where": "inside"}, "'face' or 'pocket'"),
        ("look", {"tree": "t-7", "finding": "wet"}, "'sound', 'repaired' or 'scrap'"),
        ("fan", {"rack": "rack-a", "on": 1}, "true or false"),
        ("fan", {"rack": "room", "on": True}, "rack-a, rack-b"),
        ("move", {"tree": "t-7", "rack": "out"}, "rack-a, rack-b"),
    ],
)
def test_bad_log_events(refusal, event, payload, told) -> None:
    assert told in refusal(f"drymon/shop/log/{event}", payload)


def test_a_dip_is_a_fact_whatever_else_is_said_of_it(parse) -> None:
    """A tree of which nobody knows that it is wet again would be the worse mistake."""
    parsed = parse("drymon/shop/log/dip", {**DIP, "operator": "jo", "shleter": "deep"})
    assert parsed.items == parse("drymon/shop/log/dip", DIP).items
    assert len(parsed.refusals) == 2
    assert '"operator"' in parsed.refusals[0]
    assert "did you mean shelter?" in parsed.refusals[1]
    assert all("the dip is recorded without it" in told for told in parsed.refusals)


def test_a_retained_log_event_is_never_news(refusal) -> None:
    assert "retained" in refusal("drymon/shop/log/dip", DIP, retain=True)


@pytest.mark.parametrize(
    ("event", "payload", "key", "received"),
    [
        ("dip", '{"tree": "t-7", "rack": "rack-a", "coat": "backup", "cell": "cell-9"}', "cell", "cell-9"),
        ("move", '{"tree": "t-7", "rack": "rack-a", "cell": "cell-9"}', "cell", "cell-9"),
        ("dip", '{"tree": "t-7", "rack": "rack-a", "coat": "backup", "recipe": "irn"}', "recipe", "irn"),
    ],
)
def test_a_cell_or_recipe_that_nobody_knows_is_a_fact_and_told_of(parse, event, payload, key, received) -> None:
    parsed = parse(f"drymon/shop/log/{event}", payload)
    assert getattr(parsed.items[0], key) == received
    (told,) = parsed.refusals
    assert f'{key}: received "{received}"; in room.toml are' in told
    assert f"the {event} is recorded" in told


def test_control_characters_and_long_remarks(parse) -> None:
    (look,) = parse(
        "drymon/shop/log/look", {"tree": "t-7", "finding": "sound", "note": "a\x1b[2Jb" + "c" * 5000, "by": "\n"}
    ).items
    assert look.note.startswith("a [2Jb")
    assert (len(look.note), look.by) == (1000, "")


def test_our_own_words_are_no_news(parse) -> None:
    assert parse("drymon/shop/out/tree/t-7", "{}") == Parsed()


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=10,
)
SENSIBLE = {
    "value": st.floats(0, 60),
    "unit": st.sampled_from(["Cel", "degF", "%RH", "kg"]),
    "time": st.just("2031-03-03T12:00:00Z"),
    "device": st.just("node-1"),
    "boot": st.integers(0, 3),
    "seq": st.integers(0, 9),
    "tree": st.sampled_from(["t-7", "t-8"]),
    "rack": st.sampled_from(["rack-a", "rack-b"]),
    "coat": st.just("backup"),
    "number": st.integers(1, 12),
    "shelter": st.sampled_from(["open", "deep"]),
    "mass": st.floats(0.1, 90),
    "finding": st.sampled_from(["wet", "dry", "sound"]),
    "on": st.booleans(),
    "known": st.booleans(),
    "id": st.integers() | st.text(max_size=5),
    "entry": st.integers() | st.text(max_size=5),
    "by": st.text(max_size=5),
    "n": st.sampled_from(["humidity", "cell-1/weight"]),
    "v": st.floats(0, 90),
    "bn": st.just("urn:x:"),
    "t": st.floats(-99, 9),
    "bver": st.sampled_from([10, 11]),
    "temp_f": st.floats(0, 90),
}
"""What might stand under a key; anything else may stand there too."""


WANTED = {
    TEMPERATURE: {"value"},
    "drymon/shop/rack-a/weight/cell-1": {"value", "unit"},
    "drymon/shop/rack-a/senml": {"n", "v"},
    "workshop/thermo3": {"temp_f"},
    "drymon/shop/log/leave": {"tree"},
    "drymon/shop/log/undo": {"tree", "entry"},
    "drymon/shop/log/felt": {"tree", "finding"},
    "drymon/shop/log/look": {"tree", "finding"},
    "drymon/shop/log/dip": {"tree", "rack", "coat"},
    "drymon/shop/log/weigh": {"tree", "mass"},
    "drymon/shop/log/fan": {"rack", "on"},
    "drymon/shop/log/clock": {"known"},
}


@st.composite
def objects(draw, wanted):
    """Nearly right, as real mistakes are: sensible keys and values with now and then a wrong one among them."""
    keys = wanted | draw(st.sets(st.sampled_from(["time", "id", "by", "seq", "number"]), max_size=1))
    wrong = draw(st.sampled_from([*sorted(keys), None, None, None, None]))
    return {key: draw(json_values if key == wrong else SENSIBLE[key]) for key in sorted(keys)}


noise = st.one_of(
    st.binary(max_size=60),
    st.text(max_size=60).map(lambda text: text.encode("utf-8", "surrogatepass")),
    st.floats().map(lambda number: repr(number).encode()),
    json_values.map(lambda data: json.dumps(data).encode()),
)
levels = st.sampled_from(
    ["drymon", "shop", "rack-a", "room", "log", "out", "senml", "humidity", "weight", "dip", "look"]
)
odd_topics = st.lists(levels | st.text(max_size=5), min_size=1, max_size=6).map("/".join)


@st.composite
def messages(draw):
    topic = draw(st.sampled_from(sorted(WANTED)))
    entry = objects(WANTED[topic])
    data = st.lists(entry, min_size=1, max_size=3) if topic.endswith("senml") else entry
    payload = draw(st.one_of(noise, *[data.map(lambda data: json.dumps(data).encode())] * 3))
    topic = draw(st.sampled_from([topic] * 7 + [draw(odd_topics)]))
    return Message(NOON, topic, payload, retain=draw(st.sampled_from([False, False, True])))


@given(message=messages())
def test_nothing_gets_past_the_door(parser, message) -> None:
    """Whatever comes in: a result or a reason, and no half-understood reading."""
    items, reason = list[Any](), "none"
    try:
        items = list(parser.parse(message).items)
    except RefusedMessage as refused:
        reason = str(refused)
    assert reason.encode()
    readings = [item for item in items if isinstance(item, Reading)]
    assert all(abs(item.time - NOON) <= timedelta(days=31) for item in items)
    assert all(abs(reading.value) <= 120_000 and reading.retained is message.retain for reading in readings)
    if message.retain:
        assert len(readings) == len(items), "no log event is taken from a retained message"
