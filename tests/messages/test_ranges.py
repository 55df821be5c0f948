"""What room.toml, log events and model files let in, to the ends of every range, and what stands where nothing is said.

Ends as the project's own pages tell them (docs/room.md, docs/messages.md), unless a line names another source.
"""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from drymon.drying.quantities import Quantity
from drymon.errors import RefusedMessage, SetupError
from drymon.messages.coat_models import format_model, load_models, parse_model, sealed
from drymon.messages.complaints import as_written, gathered
from drymon.messages.config import parse_home
from drymon.messages.names import is_name, name_of
from drymon.messages.outgoing import to_message
from drymon.messages.parse import Parser
from drymon.messages.payload import boot_text, read_measured
from drymon.messages.senml import resolve
from drymon.messages.settings import Broker, HomeConfig, MailServer, Notify, Page
from drymon.messages.topics import text_problem, topic_problem
from drymon.messages.units import to_default
from drymon.shop.facts.outcome import AirNow, Bounds, RackStatus, State, Verdict, When
from drymon.shop.facts.setup import CoatType, Rack, RoomSetup

NOON = datetime(2031, 3, 3, 12, tzinfo=UTC)
HOME = Path("home")
LEAST = """
[room]
name = "shop"
{room}
[[rack]]
name = "rack-a"
{rack}
[[coat]]
name = "backup"
family = "backup"
{coat}
{more}
"""


def read(**parts):
    return parse_home(LEAST.format(**{"room": "", "rack": "", "coat": "", "more": "", **parts}), HOME)


LONG = {"label": 200, "text": 1000}
SETTINGS: list[tuple[str, str, list[Any], list[Any]]] = [
    ("room", "altitude_m = {}", [-430, 0, 9000], [-430.1, 9000.1]),
    ("room", "stale_after_min = {}", [0.1, 1440], [0, -0.1, 1440.1]),
    ("room", 'label = "{}"', ["", "x" * LONG["label"]], ["x" * (LONG["label"] + 1)]),
    ("room", 'name = "{}"', [], ["two"]),
    ("rack", "airflow_assumed = {}", [[0, 20], [0.5, 0.5]], [[-0.1, 1], [0, 20.1], [1, 0.9], [1], [1, 2, 3]]),
    ("rack", "air = {}", [["room"], ["rack-a", "room"]], [[]]),
    ("coat", "dry_at = {}", [0.5, 0.999], [0.499, 1]),
    ("coat", "shortest_wait_h = {}", [0.1, 8760], [0, 8760.1]),
    ("coat", "longest_wait_h = {}", [0.1, 8760], [0, 8760.1]),
    ("coat", "fastest_loss_pct_per_h = {}", [0.1, 10000], [0, 10000.1]),
    ("coat", "stucco_mesh = {}", [[], [30], [30, 50]], [[30, 40, 50], [31]]),
    ("coat", "room.temperature_c = {}", [[-10, 60], [20, 20.1]], [[-10.1, 20], [20, 60.1], [20, 20], [20]]),
    ("coat", "room.humidity_pct = {}", [[0, 100], [40, 40.1]], [[-0.1, 50], [50, 100.1], [40, 40], [1, 2, 3]]),
    ("coat", "room.airflow_m_per_s = {}", [[0, 20], [1, 1.1]], [[-0.1, 1], [1, 20.1], [1, 1]]),
    ("coat", "room.swing_c = {}", [0.1, 30], [0, 30.1]),
    ("more", "[page]\nport = {}", [1, 65535], [0, 65536]),
    ("more", '[page]\nnames = ["{}"]', ["a" * 63, ".".join(["a" * 63] * 3 + ["a" * 61])],
     ["a" * 64, ".".join(["a" * 63] * 3 + ["a" * 62]), "a.", "-a", "a-"]),  # RFC 1123, section 2.1
    ("more", "[broker]\nport = {}", [1, 65535], [0, 65536]),
    ("more", '[broker]\nhost = "{}"', ["x", "x" * LONG["text"]], ["", "x" * (LONG["text"] + 1)]),
    ("more", '[[recipe]]\nname = "r"\ncoats = {}', [["backup"], ["backup"] * 99], [[], ["backup"] * 100]),
    ("more", '[[recipe]]\nname = "{}"\ncoats = ["backup"]', ["r", "r" * 40], ["", "r" * 41, "R"]),
    ("more", '[[source]]\ntopic = "{}"\nplace = "room"\nquantity = "humidity"', ["a", "a" * 65535],
     ["", "a" * 65536, "a/#", "+"]),  # OASIS MQTT 5, sections 1.5.4 and 4.7
    ("more", '[notify]\nlamp_topic = "{}"', ["a", "a" * 65535], ["", "a" * 65536]),
    ("more", '[notify]\ndaily_sign_of_life = "{}"', ["00:00", "23:59"], ["24:00", "06:30+01:00", "6:30"]),
]  # fmt: skip


def written(form, value):
    return form.format(value if isinstance(value, str) else json.dumps(value))


GOOD = [(part, written(form, value)) for part, form, good, _ in SETTINGS for value in good]
BAD = [(part, written(form, value)) for part, form, _, bad in SETTINGS for value in bad]


def short(value):
    return value[:60]


@pytest.mark.parametrize(("part", "line"), GOOD, ids=short)
def test_the_ends_of_a_setting_are_let_in(part, line) -> None:
    assert read(**{part: line}).room.name == "shop"


@pytest.mark.parametrize(("part", "line"), BAD, ids=short)
def test_a_setting_beyond_its_ends_is_refused(part, line) -> None:
    with pytest.raises(SetupError, match=r"room\.toml"):
        read(**{part: line})


def test_a_window_must_be_open() -> None:
    assert read(coat="shortest_wait_h = 4\nlongest_wait_h = 4.1").room.coats[0].longest_wait_h == 4.1
    with pytest.raises(SetupError, match="below longest_wait_h"):
        read(coat="shortest_wait_h = 4\nlongest_wait_h = 4")


@pytest.mark.parametrize(
    ("lines", "fits"),
    [
        ('username = "u"\npassword_file = "p"', True),
        ('username = "u"', True),
        ('password_file = "p"', False),
        ('ca_file = "a"\ncert_file = "b"\nkey_file = "c"', True),
        ('cert_file = "b"\nkey_file = "c"', False),
        ('ca_file = "a"\nkey_file = "c"', False),
        ('ca_file = "a"\ncert_file = "c"', False),
        ('ca_file = "a"', True),
    ],
)
def test_which_keys_of_the_broker_go_together(lines, fits) -> None:
    if fits:
        assert read(more="[broker]\n" + lines).broker is not None
    else:
        with pytest.raises(SetupError, match=r"broker: received .* allowed"):
            read(more="[broker]\n" + lines)


@pytest.mark.parametrize(("length", "fits"), [(7, False), (8, True), (200, True), (201, False)])
def test_how_long_the_pages_password_may_be(tmp_path, length, fits) -> None:
    (tmp_path / "page.password").write_text("x" * length)
    text = LEAST.format(room="", rack="", coat="", more='[page]\npassword_file = "page.password"')
    if fits:
        assert parse_home(text, tmp_path).page.password_file == tmp_path / "page.password"
    else:
        with pytest.raises(SetupError, match=f"holds {length} characters; allowed are 8 to 200"):
            parse_home(text, tmp_path)


def test_what_holds_where_nothing_is_set() -> None:
    """In code as in the file: whoever sets a room up without a file meets the same shop."""
    room = RoomSetup("shop", racks=(Rack("rack-a"),), coats=(CoatType("backup", "backup"),))
    told = read().room
    for key in ("timezone", "altitude_m", "stale_after_min", "edges"):
        assert getattr(room, key) == getattr(told, key)
    assert room.racks[0].airflow_assumed == told.racks[0].airflow_assumed == (0.3, 2.0)
    assert room.racks[0].places == told.racks[0].places == ("rack-a", "room")
    assert room.coats[0].dry_at == told.coats[0].dry_at == 0.95
    assert HomeConfig(HOME, room).page == read().page == Page("127.0.0.1", 8480, None, ())
    assert HomeConfig(HOME, room).notify == read().notify == Notify()
    assert read(more='[broker]\nhost = "localhost"').broker == Broker("localhost", 1883)
    assert Broker() == Broker("localhost", 1883)
    assert MailServer(host="h", sender="s") == MailServer(host="h", sender="s", port=587, tls="starttls")


def test_a_source_without_a_name_is_called_by_the_end_of_its_topic() -> None:
    source = '[[source]]\ntopic = "{}"\nplace = "room"\nquantity = "humidity"'
    assert read(more=source.format("Hall/Sensor_7")).sources[0].sensor == "hall-sensor-7"
    assert read(more=source.format("x" * 41)).sources[0].sensor == "x" * 40
    assert read(more=source.format("a/" + "x" * 39)).sources[0].sensor == "x" * 39
    assert read(more=source.format("ä")).sources[0].sensor == "source"


def test_two_sensors_of_one_place_must_have_two_names() -> None:
    one = '[[source]]\ntopic = "{}"\nplace = "room"\nquantity = "{}"\nsensor = "s"\n'
    assert len(read(more=one.format("a", "humidity") + one.format("b", "temperature")).sources) == 2
    with pytest.raises(SetupError, match=r"source\[2\]\.sensor .* twice"):
        read(more=one.format("a", "humidity") + one.format("b", "humidity"))


# --- what is heard ---------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def heard_event(config, heard):
    parser = Parser(config)

    def event(name, **said):
        return parser.parse(heard(f"drymon/shop/log/{name}", json.dumps({"tree": "t-7", **said})))

    return event


DIPPED = {"rack": "rack-a", "coat": "backup"}


@pytest.mark.parametrize(("key", "most"), [("by", 200), ("label", 200)])
def test_long_words_of_a_dip_are_cut(heard_event, key, most) -> None:
    for length in (most, most + 1):
        assert len(getattr(heard_event("dip", **DIPPED, **{key: "x" * length}).items[0], key)) == most


def test_an_id_is_taken_whole_or_not_at_all(heard_event) -> None:
    assert heard_event("dip", **DIPPED, id="x" * 200).items[0].id == "x" * 200
    assert heard_event("dip", **DIPPED, id=17).items[0].id == "17"
    for wrong in ("x" * 201, True, 1.5):
        with pytest.raises(RefusedMessage, match="id: received"):
            heard_event("dip", **DIPPED, id=wrong)


@pytest.mark.parametrize("number", [1, 99])
def test_the_first_and_the_last_coat_that_a_dip_may_name(heard_event, number) -> None:
    assert heard_event("dip", **DIPPED, number=number).items[0].number == number


def test_ten_unknown_keys_of_a_dip_are_told_of(heard_event) -> None:
    told = heard_event("dip", **DIPPED, **{f"zz{number:02}": 1 for number in range(12)}).refusals
    assert [f"zz{number:02}" in " ".join(told) for number in range(12)] == [True] * 10 + [False] * 2


def test_a_mass_is_more_than_nothing(heard_event) -> None:
    assert heard_event("weigh", mass=0.001).items[0].mass == 0.001
    for mass in (0, -0.001):
        with pytest.raises(RefusedMessage, match="more than nothing"):
            heard_event("weigh", mass=mass)


@pytest.mark.parametrize(
    ("key", "good", "bad"),
    [
        ("device", ["n", "n" * 64], ["", "n" * 65]),
        ("boot", [0, "b", "b" * 64], [-1, "", "b" * 65, True, 1.5]),
        ("seq", [0, 1], [-1, 0.5, True, "1"]),
    ],
)
def test_what_a_node_may_call_itself(key, good, bad) -> None:
    plain = {"value": 21, "device": "n", "boot": 1, "seq": 1}
    for value in good:
        assert read_measured(json.dumps({**plain, key: value}).encode()).value == 21
    for value in bad:
        with pytest.raises(ValueError, match=f"{key}: received"):
            read_measured(json.dumps({**plain, key: value}).encode())


def test_a_payload_is_as_long_as_is_said() -> None:
    """65536 bytes, blanks among them."""
    assert read_measured(b"21" + b" " * 65534).value == 21
    with pytest.raises(ValueError, match="65537 bytes; allowed are at most 65536"):
        read_measured(b"21" + b" " * 65535)


def test_a_boot_of_digits_is_another_than_the_number() -> None:
    assert boot_text(7) == "7"
    assert boot_text("7") != "7"
    assert boot_text("b7") == "b7"


@pytest.mark.parametrize("version", range(11))
def test_every_version_of_a_pack_up_to_that_of_the_rfc_is_read(version) -> None:
    """RFC 8428, section 4.4."""
    assert len(resolve([{"n": "x", "v": 1, "bver": version}], NOON).records) == 1


def test_the_longest_topic() -> None:
    """OASIS MQTT 5, section 1.5.4: two bytes count its bytes."""
    assert text_problem("ä" * 32767 + "a") is None
    assert "65535" in str(text_problem("ä" * 32768))
    for wrong in ("a/+", "#"):
        assert "wildcards" in str(topic_problem(wrong))
    assert topic_problem("a/b") is None


def test_the_longest_name() -> None:
    assert is_name("a" * 40)
    assert not is_name("a" * 41)
    assert name_of("A" * 40) == "a" * 40


# --- words -----------------------------------------------------------------------------------------------------------


def test_a_value_of_eighty_characters_is_written_whole() -> None:
    assert as_written("x" * 78) == '"' + "x" * 78 + '"'
    assert as_written("x" * 79) == '"' + "x" * 76 + "..."


def test_reasons_fill_nine_hundred_characters_and_the_rest_is_counted() -> None:
    assert gathered(["x" * 900]) == "x" * 900
    assert gathered(["x" * 901]) == "x" * 897 + "..."
    assert gathered(["x" * 449, "y" * 449]) == "x" * 449 + "; " + "y" * 449
    assert gathered(["x" * 449, "y" * 450, "z"]) == "x" * 449 + "; and 2 more of the kind"


# --- what is said ----------------------------------------------------------------------------------------------------


def test_numbers_are_said_as_finely_as_they_are_worth() -> None:
    rack = RackStatus(NOON, NOON + timedelta(seconds=90.9), "rack-a", False, None, None, {},
                      AirNow(21.23456, 45.67891, 0.123456, 101_325.678))  # fmt: skip
    message = to_message(rack, "shop")
    air = json.loads(message.payload)["air"]
    assert (air["temperature_c"], air["humidity_pct"]) == (21.23, 45.68)
    assert (air["airflow_m_per_s"], air["pressure_pa"]) == (0.123, 101_326)
    assert json.loads(message.payload)["ready_at"] is None
    assert message.expiry_s == 90


def test_a_share_is_said_to_a_hundredth_of_a_percent() -> None:
    verdict = Verdict(
        NOON, NOON, tree="t-7", rack="rack-a", coat="backup", number=1, dipped_at=NOON, state=State.DRYING,
        dryness=Bounds(0.123456, 0.5, 0.98765), dry_at=When(None, None, None), redip_by=NOON, reasons=(),
    )  # fmt: skip
    content = json.loads(to_message(verdict, "shop").payload)
    assert content["dryness"] == {"low": 0.1235, "best": 0.5, "high": 0.9877}
    assert content["redip_by"] == "2031-03-03T12:00:00Z"
    assert "label" not in content
    assert json.loads(to_message(replace(verdict, label="Otter"), "shop").payload)["label"] == "Otter"


# --- model files -----------------------------------------------------------------------------------------------------

BACKUP = load_models()["backup"]


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("runs = 0", "runs = -1"),
        ("soak_coats = 3.0", "soak_coats = 0.0"),
        ("format = 2", "format = 1"),
        ("format = 2", "format = 3"),
        ("\n[error]", "[racks]\nrack-a = 0.0\n\n[error]"),
    ],
)
def test_a_model_beyond_its_ranges_is_refused(before, after) -> None:
    text = format_model(BACKUP)
    assert before in text
    with pytest.raises(SetupError, match="received"):
        parse_model(sealed(text.replace(before, after, 1)), "backup.toml")


def test_a_model_at_the_ends_of_its_ranges_is_read() -> None:
    sure = {name: replace(spread, sd=0.0) for name, spread in BACKUP.parameters.items()}
    model = replace(BACKUP, parameters=sure, dip_sd=dict.fromkeys(BACKUP.dip_sd, 0.0), racks={"rack-a": 0.01})
    assert parse_model(format_model(model), "backup.toml") == model
    narrow = replace(BACKUP, seen={**BACKUP.seen, "number": (3.0, 3.0)})
    assert parse_model(format_model(narrow), "backup.toml").seen["number"] == (3, 3)


@pytest.mark.parametrize("name", ["water", "deep_share"])
def test_no_parameter_is_nothing(name) -> None:
    none = replace(BACKUP, parameters={**BACKUP.parameters, name: replace(BACKUP.parameters[name], centre=0.0)})
    with pytest.raises(SetupError, match=f"{name}.centre"):
        parse_model(format_model(none), "backup.toml")


@pytest.mark.parametrize("wrong", ["diagonal", "symmetry", "size"])
def test_what_is_no_correlation_is_refused(wrong) -> None:
    """Ones on the diagonal, the same above and below it: what a correlation is."""
    size = len(BACKUP.parameters)
    rows = [[1.0 if i == j else 0.0 for j in range(size)] for i in range(size)]
    assert parse_model(format_model(replace(BACKUP, correlation=tuple(map(tuple, rows)))), "x").correlation is not None
    if wrong == "diagonal":
        rows[2][2] = 0.99
    elif wrong == "symmetry":
        rows[0][3] = 0.01
    else:
        rows[1].pop()
    with pytest.raises(SetupError, match="symmetric matrix"):
        parse_model(format_model(replace(BACKUP, correlation=tuple(map(tuple, rows)))), "x")


@pytest.mark.parametrize(
    ("quantity", "low", "high"),
    [("temperature", -60, 150), ("humidity", 0, 110), ("airflow", 0, 60), ("weight", -2000, 2000),
     ("pressure", 30_000, 120_000), ("surface", -60, 150)],
)  # fmt: skip
def test_what_no_sensor_can_mean_is_refused(quantity, low, high) -> None:
    """As the table of docs/messages.md has it."""
    for end in (low, high):
        assert to_default(Quantity(quantity), end) == end
    for beyond in (low - 0.001, high + 0.001):
        with pytest.raises(ValueError, match=f"possible are {low:g} to {high:g}"):
            to_default(Quantity(quantity), beyond)
