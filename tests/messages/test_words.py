"""What a person reads who sent something that cannot be used: the whole sentence, with what was received in it."""

import json

import pytest

from drymon.errors import RefusedMessage, SetupError, StreamError
from drymon.messages.config import load_home, parse_home, read_secret
from drymon.messages.names import name_of
from drymon.messages.parse import Parser
from drymon.messages.streams import StreamWriter, parse_line, read_stream

T = "drymon/shop/rack-a/temperature"
PACK = "drymon/shop/rack-a/senml"
LOG = "drymon/shop/log/"
BASE = "drymon/shop/"
TOPICS = (
    "allowed are drymon/shop/<place>/<quantity>, drymon/shop/<place>/<quantity>/<sensor>, drymon/shop/<place>/senml, "
    "drymon/shop/log/<event> and those of a [[source]]"
)
RFC3339 = 'allowed is RFC 3339 with its offset, such as "2031-03-03T06:00:00Z"'
KEYS = "Allowed are value, unit, time, device, boot, seq and keys unlike these"
QUANTITIES = "temperature, humidity, airflow, weight, pressure, surface, co2"


@pytest.mark.parametrize(
    ("topic", "payload", "told"),
    [
        ("drymon/forge/rack-a/temperature", "5",
         'topic: received the room "forge"; allowed is this room, shop'),
        (BASE + "rack-z/temperature", "5",
         'topic: received the place "rack-z"; allowed are rack-a, rack-b, room, log'),
        (BASE + "rack-a", "5", f'topic: received "drymon/shop/rack-a"; {TOPICS}'),
        ("forge/shop/rack-a/temperature", "5", f'topic: received "forge/shop/rack-a/temperature"; {TOPICS}'),
        (BASE + "rack-a/temperature/a/b", "5", f'topic: received "drymon/shop/rack-a/temperature/a/b"; {TOPICS}'),
        (BASE + "rack-a/a+b", "5",
         'topic: received "drymon/shop/rack-a/a+b"; allowed is one full topic, without the wildcards + and #'),
        (BASE + "rack-a/smell", "5", f'quantity: received "smell"; allowed are {QUANTITIES}'),
        (BASE + "rack-a/weight", "5", "weight: received without its cell; it must be named last"),
        (BASE + "rack-a/surface", "5", "surface: received without its probe; it must be named last"),
        (T + "/Left", "5", 'sensor: received "Left"; allowed are 1 to 40 of the characters a-z, 0-9 and -'),
        (T, "", "payload: received nothing; allowed is a number or JSON"),
        (T, b"\xff", "payload: received 1 bytes that are no UTF-8 text; allowed is text"),
        (T, "21,5", 'payload: received "21,5"; allowed is a number such as 21.5; write it with a decimal point'),
        (T, "21.5 C", 'payload: received "21.5 C"; allowed is a number such as 21.5'),
        (T, "9" * 400, "value: received a number beyond all bounds; allowed is a finite one"),
        (T, "[21]", "payload: received a JSON array; a SenML pack belongs on the place's topic senml"),
        (T, '{"unit": "Cel"}', "value: is missing; it is required"),
        (T, '{"value": "21"}', 'value: received "21"; allowed is a number, not in quotes'),
        (T, '{"value": 21, "unit": 5}', "unit: received 5; allowed is text"),
        (T, '{"value": NaN}', "payload: received NaN; allowed are finite numbers"),
        (T, '{"value": 1, "value": 2}', "payload: received a key twice; allowed is each key once"),
        (T, '{"value": "\\ud800"}', "payload: received half of a surrogate pair; allowed is well-formed text"),
        (T, '{"value": 1, "x": ' + "[" * 8 + "]" * 8 + "}",
         "payload: received JSON nested too deep; allowed are 8 levels"),
        (T, '{"value": 1, "uint": "K"}', f'payload: received the key "uint"; did you mean unit? {KEYS}'),
        (T, '{"value": 1, "seq": 5}',
         "seq: received without device or boot; allowed is device, boot and seq together"),
        (T, '{"value": 1, "device": "n", "seq": 5}',
         "seq: received without device or boot; allowed is device, boot and seq together"),
        (T, '{"value": 1, "device": "n", "boot": 1, "seq": "x"}',
         'seq: received "x"; allowed is a whole number from 0 on'),
        (T, '{"value": 1, "device": "a/b"}', 'device: received "a/b"; allowed are 1 to 64 of A-Z a-z 0-9 . _ : -'),
        (T, '{"value": 1, "boot": -1}', "boot: received -1; allowed is a whole number or 1 to 64 characters"),
        (T, '{"value": 1, "time": "now"}', f"time: received 'now'; {RFC3339}"),
        (T, json.dumps({"value": 1, "time": "x" * 70}), f"time: received '{'x' * 59}; {RFC3339}"),
        (T, '{"value": 1, "time": "1970-01-01T00:00:00Z"}',
         "time: received 1970-01-01T00:00:00Z; allowed is from 31 days before to 5 min after its arrival at "
         "2031-03-03T12:00:00Z; is the sender's clock set?"),
        (T, '{"value": 1, "unit": "%RH"}',
         "unit: received '%RH', a unit of humidity; allowed for temperature are Cel, degC, °C, C, degF, °F, F, K"),
        (T, json.dumps({"value": 1, "unit": "u" * 50}),
         f"unit: received '{'u' * 40}'; allowed for temperature are Cel, degC, °C, C, degF, °F, F, K"),
        (T, '{"value": 400, "unit": "degF"}', "temperature: received 400 degF; possible are -60 to 150 Cel"),
        (BASE + "rack-a/humidity", "400", "humidity: received 400 %RH; possible are 0 to 110 %RH"),
        (PACK, "{}", "SenML: received no pack; allowed is a JSON array of at least one object"),
        (PACK, '[{"n": "humidity", "v": 1, "bver": 11}]',
         "SenML bver: received 11; allowed is one in the pack, at most 10, or 26"),
        (PACK, '[{"n": "humidity", "v": 1}, {"x_": 1}]',
         'SenML record 2: received "x_", which must be understood; none is'),
        (PACK, '[{"bn": 5}]', "SenML record 1: bn: received 5; allowed is text"),
        (PACK, '[{"bt": "x"}]', 'SenML record 1: bt: received "x"; allowed is a number, not in quotes'),
        (PACK, '[{"n": "a+", "v": 1}]',
         'SenML record 1: name: received "a+"; allowed are A-Z a-z 0-9 - : . / _ after a letter or digit'),
        (PACK, '[{"n": "humidity", "v": 1, "vs": "x"}]',
         "SenML record 1: value: received v, vs; allowed is exactly one of v, vs, vb, vd"),
        (PACK, '[{"n": "humidity", "vb": true}]',
         "SenML record 1: value: received vb; allowed for a quantity is a number v"),
        (PACK, '[{"n": "humidity"}]',
         "SenML record 1: value: received no value; allowed for a quantity is a number v"),
        (PACK, '[{"n": "humidity", "s": 1}]',
         "SenML record 1: value: received only a sum; allowed for a quantity is a number v"),
        (PACK, '[{"n": "humidity", "v": 1, "t": 1e300}]',
         "SenML record 1: time: received 1e+300 s; allowed is a time about now"),
        (PACK, '[{"n": "left/smell", "v": 1}]',
         f'SenML left/smell: quantity: received "smell"; allowed are {QUANTITIES}'),
        ("workshop/thermo3", '{"temp_c": 5}',
         '[[source]] temperature of rack-b: field: "temp_f" is not in the payload {"temp_c": 5}'),
        ("workshop/plain", "x",
         '[[source]] pressure of room: payload: received "x"; allowed is a number such as 21.5'),
        (LOG + "dance", "{}",
         'log event: received "dance"; allowed are dip, weigh, felt, look, move, leave, undo, fan, slurry, clock'),
        (LOG + "dip", "[]", "payload: received []; allowed is a JSON object {…}"),
        (LOG + "dip", '{"tree": "t-7", "rack": "rack-z", "coat": "backup"}',
         'rack: received "rack-z"; allowed are the racks rack-a, rack-b'),
        (LOG + "weigh", '{"tree": "t-7", "mass": 0}', "mass: received 0; allowed is more than nothing"),
        (LOG + "weigh", '{"tree": "t-7"}', "mass: is missing; it is required"),
        (LOG + "leave", '{"tree": "T 7"}',
         'tree: received "T 7"; allowed is 1 to 40 of the characters a-z, 0-9 and -'),
        (LOG + "leave", '{"tree": "t-7", "treee": 1}',
         'treee: received the unknown key "treee"; allowed here are time, id, by, tree (did you mean tree?)'),
        (LOG + "felt", '{"tree": "t-7", "finding": "damp"}',
         "finding: received \"damp\"; allowed is 'wet' or 'dry'"),
        (LOG + "fan", '{"rack": "rack-a", "on": 1}', "on: received 1; allowed is true or false"),
    ],
)  # fmt: skip
def test_a_message_that_cannot_be_used_is_told_in_a_whole_sentence(config, heard, topic, payload, told) -> None:
    with pytest.raises(RefusedMessage) as refused:
        Parser(config).parse(heard(topic, payload))
    assert str(refused.value) == told


def test_a_log_event_must_not_be_retained(config, heard) -> None:
    with pytest.raises(RefusedMessage) as refused:
        Parser(config).parse(heard(LOG + "leave", '{"tree": "t-7"}', retain=True))
    assert str(refused.value) == "log event: received as a retained message; allowed is a message not retained"


def test_what_a_dip_names_that_is_not_there_is_told(config, heard) -> None:
    dip = {"tree": "t-7", "rack": "rack-a", "coat": "backup", "cell": "cell-9", "recipe": "irn", "shleter": "deep"}
    told = Parser(config).parse(heard(LOG + "dip", json.dumps(dip))).refusals
    assert told == (
        'shleter: received the unknown key "shleter"; allowed here are time, id, by, tree, rack, coat, number, '
        "shelter, cell, probe, recipe, label, slurry (did you mean shelter?): the dip is recorded without it",
        'cell: received "cell-9"; in room.toml are cell-1: the dip is recorded, but no cell of the room weighs '
        "the tree",
        'recipe: received "irn"; in room.toml are standard: the dip is recorded, but its next coat is not known',
    )


LEAST = '[room]\nname = "shop"\n[[rack]]\nname = "rack-a"\n[[coat]]\nname = "backup"\nfamily = "backup"\n'
SOURCE = '[[source]]\ntopic = "{}"\nplace = "room"\nquantity = "humidity"\n'


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (LEAST.replace('name = "shop"', 'name = "Shop"'),
         'room.name: received "Shop"; allowed is 1 to 40 of the characters a-z, 0-9 and -'),
        (LEAST.replace('name = "shop"', 'name = 7'), 'room.name: received 7; allowed is text in quotes "…"'),
        (LEAST.replace('"rack-a"', '"log"'),
         'rack[1].name ("log"): received "log"; allowed is any name but room, log, out: these are levels of '
         "the topics"),
        (LEAST + "dry_at = 95\n",
         'coat[1].dry_at ("backup"): received 95; allowed is a share from 0.5 to below 1: 0.95 stands for 95 %'),
        (LEAST + "longest_wait_h = 0\n",
         'coat[1].longest_wait_h ("backup"): received 0; allowed is above 0, at most 8760'),
        (LEAST + "dry_att = 1\n",
         'coat[1].dry_att ("backup"): received the unknown key "dry_att"; allowed here are name, family, label, '
         "stucco_mesh, dry_at, shortest_wait_h, longest_wait_h, usual_wait_h, fastest_loss_pct_per_h, room "
         "(did you mean dry_at?)"),
        (LEAST + '[[cell]]\nname = "c"\nrack = "x"\n',
         'cell[1].rack: received "x"; allowed are the racks of this file: rack-a'),
        (LEAST + '[[recipe]]\nname = "r"\ncoats = ["seal", "seal"]\n',
         'recipe[1].coats: received "seal"; allowed are the coats of this file: backup'),
        (LEAST + '[[recipe]]\nname = "r"\ncoats = []\n',
         'recipe[1].coats ("r"): received []; allowed is a list of at least 1'),
        (LEAST + '[[coat]]\nname = "backup"\nfamily = "seal"\n',
         'coat[2].name: received "backup" twice; allowed is each only once'),
        (LEAST + SOURCE.format("drymon/shop/x"),
         'source[1].topic: received "drymon/shop/x"; allowed is a topic outside drymon/shop/, which is understood '
         "without a [[source]]"),
        (LEAST + SOURCE.format("a").replace("humidity", "weight"),
         "source[1].sensor: is missing; for a weight it is required: the name of the [[cell]]"),
        (LEAST + SOURCE.format("a") + 'unit = "K"\n',
         "source[1].unit: received 'K', a unit of temperature and surface; allowed for humidity are %RH, %, 1, /"),
        (LEAST + SOURCE.format("a").replace('"room"', '"x"'),
         'source[1].place: received "x"; allowed are the racks and room of this file: rack-a, room'),
        (LEAST + '[page]\nhost = "0.0.0.0"\n',
         'page.host: received "0.0.0.0" without page.password_file; others on the network reach the page there: write '
         'a password into a file in this folder and name it as password_file, or set host = "127.0.0.1"'),
        ("[room]\nname = \"shop\"\nroom = 1\n",
         'room.room: received the unknown key "room"; allowed here are name, label, timezone, altitude_m, '
         "stale_after_min, edges"),
    ],
)  # fmt: skip
def test_a_setting_that_cannot_be_is_told_in_a_whole_sentence(tmp_path, text, told) -> None:
    with pytest.raises(SetupError) as refused:
        parse_home(text, tmp_path)
    assert str(refused.value) == f"{tmp_path / 'room.toml'}: {told}"


def test_a_room_without_racks_is_told_that_there_are_none_yet(tmp_path) -> None:
    with pytest.raises(SetupError, match=r"allowed are the racks of this file: none yet"):
        parse_home('[room]\nname = "shop"\n[[cell]]\nname = "c"\nrack = "x"\n', tmp_path)


def test_a_room_that_cannot_be_read_says_what_it_is(tmp_path) -> None:
    (tmp_path / "room.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(SetupError, match="cannot be read as UTF-8 text"):
        load_home(tmp_path)
    (tmp_path / "secret").write_bytes(b"\xff\xfe")
    with pytest.raises(SetupError, match="cannot be read"):
        read_secret(tmp_path / "secret")
    (tmp_path / "secret").write_text(" open sesame \n")
    assert read_secret(tmp_path / "secret") == " open sesame "


GOOD = '"time": "2031-03-03T12:00:00Z", "topic": "a"'


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("[]", "received []; allowed is a JSON object"),
        (f'{{{GOOD}, "payload": "1", "x": 1}}',
         'received the key "x"; allowed are time, topic, payload, payload_base64, retain, qos'),
        ('{"time": "2031-03-03T12:00:00Z", "topic": "", "payload": "1"}',
         'topic: received ""; allowed is text of at least one character'),
        (f"{{{GOOD}}}", "payload: allowed is exactly one of payload and payload_base64"),
        (f'{{{GOOD}, "payload": "1", "payload_base64": "MQ=="}}',
         "payload: allowed is exactly one of payload and payload_base64"),
        (f'{{{GOOD}, "payload": 1}}', "payload: received 1; allowed is text, JSON within it in quotes"),
        (f'{{{GOOD}, "payload": "1", "retain": 1}}', "retain: received 1; allowed is true or false"),
        (f'{{{GOOD}, "payload": "1", "qos": true}}', "qos: received true; allowed are 0, 1 and 2"),
    ],
)  # fmt: skip
def test_a_line_of_a_stream_that_is_none_is_told(line, told) -> None:
    with pytest.raises(ValueError, match=r"received|allowed") as refused:
        parse_line(line)
    assert str(refused.value) == told


def test_a_step_back_in_time_is_told_with_both_times(tmp_path) -> None:
    path = tmp_path / "a.jsonl"
    later = f'{{{GOOD}, "payload": "1"}}'
    path.write_text(f"{later}\n{later}\n{later.replace('12:00', '11:59')}\n")
    with pytest.raises(StreamError) as refused:
        list(read_stream([path]))
    assert str(refused.value) == (
        f"{path}, line 3: received the time 2031-03-03T11:59:00Z after 2031-03-03T12:00:00Z; allowed are lines in the "
        "order of their times: sort them"
    )


@pytest.mark.parametrize("name", ["a.jsonl", "a.jsonl.gz"])
def test_a_stream_written_anew_replaces_the_old_one(tmp_path, name, heard) -> None:
    path = tmp_path / name
    for payloads in (("1", "2", "3"), ("4",)):
        with StreamWriter(path) as stream:
            for payload in payloads:
                stream.write(heard(T, payload))
    assert [message.payload for message in read_stream([path])] == [b"4"]


def test_a_name_that_is_none_is_told_by_its_beginning() -> None:
    with pytest.raises(ValueError, match="received") as refused:
        name_of("#" * 70)
    assert str(refused.value) == (
        f"received '{'#' * 60}'; allowed are letters, digits, spaces and - _ . / that make a name of 1 to 40 "
        "characters, such as Otter 3"
    )
