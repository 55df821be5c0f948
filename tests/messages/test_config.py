"""room.toml: what is taken, what is refused, and whether a person can read why."""

from pathlib import Path

import pytest

from drymon.drying.quantities import Quantity
from drymon.errors import SetupError
from drymon.messages.config import is_loopback, load_home, parse_home, read_secret

LEAST = """
[room]
name = "shop"
[[rack]]
name = "rack-a"
[[coat]]
name = "backup"
family = "backup"
"""


def refusal(text, home=Path("home")):
    with pytest.raises(SetupError) as caught:
        parse_home(text, home)
    return str(caught.value)


def test_defaults_are_those_of_the_interface() -> None:
    """Defaults as the interface documents them."""
    config = parse_home(LEAST, Path("home"))
    room, rack, coat = config.room, config.room.racks[0], config.room.coats[0]
    assert (room.timezone, room.altitude_m, room.stale_after_min) == ("UTC", 0, 10)
    assert (rack.air, rack.airflow_assumed) == (("rack-a", "room"), (0.3, 2.0))
    assert (coat.dry_at, coat.stucco_mesh, coat.shortest_wait_h, coat.longest_wait_h) == (0.95, None, None, None)
    assert (coat.usual_wait_h, coat.room.temperature_c, coat.room.swing_c) == (None, None, None)
    assert config.broker is None
    assert (config.page.host, config.page.port, config.page.password_file) == ("127.0.0.1", 8480, None)


def test_everything_set_is_read() -> None:
    config = parse_home(
        LEAST
        + """
stucco_mesh = [50, 30]
dry_at = 0.9
shortest_wait_h = 0.5
longest_wait_h = 72
usual_wait_h = 4
fastest_loss_pct_per_h = 80
room = { temperature_c = [20, 26], humidity_pct = [35, 55], airflow_m_per_s = [1, 4], swing_c = 3 }
[broker]
host = "broker.example.org"
username = "drymon"
password_file = "broker.password"
ca_file = "/etc/ca.crt"
[[cell]]
name = "cell-1"
rack = "rack-a"
[[source]]
topic = "workshop/thermo3"
field = "temp_f"
place = "rack-a"
quantity = "temperature"
unit = "degF"
[[recipe]]
name = "standard"
coats = ["backup", "backup"]
""",
        Path("/home-folder"),
    )
    coat, source = config.room.coats[0], config.sources[0]
    assert coat.stucco_mesh == (30, 50)
    assert (coat.shortest_wait_h, coat.usual_wait_h) == (0.5, 4)
    assert (coat.room.humidity_pct, coat.room.swing_c, coat.fastest_loss_pct_per_h) == ((35, 55), 3, 80)
    assert (config.broker.port, config.broker.tls) == (8883, True)
    assert config.broker.password_file == Path("/home-folder/broker.password")
    assert config.broker.ca_file == Path("/etc/ca.crt")
    assert (source.quantity, source.unit, source.field) == (Quantity.TEMPERATURE, "degF", "temp_f")
    assert source.sensor == "workshop-thermo3"
    assert config.room.recipes[0].coats == ("backup", "backup")


def test_broker_port_without_tls() -> None:
    assert parse_home(LEAST + '[broker]\nhost = "b"\n', Path("home")).broker.port == 1883


@pytest.mark.parametrize(
    ("broken", "key", "received", "allowed"),
    [
        (LEAST.replace('name = "shop"', 'name = "Shop 1"'), "room.name", "Shop 1", "a-z"),
        (LEAST.replace("[[rack]]", "altitude_m = 10000\n[[rack]]"), "room.altitude_m", "10000", "-430 to 9000"),
        (LEAST.replace("[[rack]]", 'timezone = "Moon/Base"\n[[rack]]'), "room.timezone", "Moon/Base", "IANA"),
        (LEAST.replace("[[rack]]", 'altitude_m = "12"\n[[rack]]'), "room.altitude_m", '"12"', "a number"),
        (LEAST.replace("[[rack]]", "altitude_m = true\n[[rack]]"), "room.altitude_m", "true", "a number"),
        (LEAST.replace("[[rack]]", "stale_after_min = nan\n[[rack]]"), "room.stale_after_min", "NaN", "finite"),
        (LEAST.replace("[[rack]]", "stale_after_min = -1\n[[rack]]"), "room.stale_after_min", "-1", "above 0"),
        (LEAST.replace("[[rack]]", "tz = 1\n[[rack]]"), "room.tz", "unknown key", "timezone"),
        (LEAST.replace('"rack-a"', '"room"'), "rack[1].name", "room", "room, log, out"),
        (
            LEAST.replace("[[coat]]", "airflow_assumed = [2, 0.3]\n[[coat]]"),
            "rack[1].airflow_assumed",
            "[2, 0.3]",
            "lower",
        ),
        (LEAST.replace("[[coat]]", 'air = ["rack-z"]\n[[coat]]'), "rack[1].air", "rack-z", "rack-a, room"),
        (LEAST + "dry_at = 95\n", "coat[1].dry_at", "95", "0.95 stands for 95 %"),
        (LEAST + "stucco_mesh = [30, 55]\n", "coat[1].stucco_mesh[2]", "55", "ASTM E11"),
        (LEAST + "room = { humidity_pct = [40, 140] }\n", "coat[1].room.humidity_pct[2]", "140", "0 to 100"),
        (LEAST + "room = { humidity_pct = [60, 40] }\n", "coat[1].room.humidity_pct", "[60, 40]", "the lower first"),
        (LEAST + "shortest_wait_h = 9\nlongest_wait_h = 8\n", "coat[1]", "9", "below longest_wait_h"),
        (LEAST + "shortest_wait_h = 0\n", "coat[1].shortest_wait_h", "0", "above 0"),
        (LEAST + "usual_wait_h = 0\n", "coat[1].usual_wait_h", "0", "above 0, at most 336"),
        (LEAST + "usual_wait_h = 336.5\n", "coat[1].usual_wait_h", "336.5", "above 0, at most 336"),
        (LEAST + 'usual_wait_h = "4"\n', "coat[1].usual_wait_h", '"4"', "a number"),
        (LEAST + "dry_att = 0.9\n", "coat[1].dry_att", "unknown key", "did you mean dry_at?"),
        (
            LEAST.replace('family = "backup"', 'family = "third"'),
            "coat[1].family",
            "third",
            "'prime', 'backup' or 'seal'",
        ),
        (LEAST.replace('family = "backup"\n', ""), "coat[1].family", "missing", "required"),
        (LEAST + '[[cell]]\nname = "c"\nrack = "x"\n', "cell[1].rack", '"x"', "rack-a"),
        (LEAST + '[[recipe]]\nname = "r"\ncoats = ["prime"]\n', "recipe[1].coats", "prime", "backup"),
        (LEAST + '[[rack]]\nname = "rack-a"\n', "rack[2].name", "rack-a", "only once"),
        (LEAST + "[page]\nport = 70000\n", "page.port", "70000", "1 to 65535"),
        (LEAST + '[page]\nnames = ["http://drymon.local"]\n', "page.names", "http://drymon.local", "a host name alone"),
        (LEAST + '[page]\nnames = ["drymon.local:8480"]\n', "page.names", "drymon.local:8480", "a host name alone"),
        (LEAST + '[page]\nnames = ["*.local"]\n', "page.names", "*.local", "a host name alone"),
        (LEAST + '[page]\nnames = "drymon.local"\n', "page.names", "drymon.local", "list"),
        (LEAST + '[page]\nhost = "0.0.0.0"\n', "page.host", "0.0.0.0", "127.0.0.1"),
        (LEAST + '[page]\nhost = "10.0.0.5"\npassword_file = "no"\n', "page.password_file", "no", "write the page's"),
        (
            LEAST + '[[notify.webhook]]\nurl = "https://hook.example"\nkinds = ["tree-hold", "rack-redy"]\n',
            "notify.webhook[1].kinds[2]",
            "rack-redy",
            "did you mean rack-ready?",
        ),
        (LEAST + '[broker]\nhost = ""\n', "broker.host", '""', "text that is not empty"),
        (LEAST + f'[broker]\nhost = "{"h" * 1001}"\n', "broker.host", '"hhh', "at most 1000 characters"),
        (LEAST + "[store]\nkeep_readings_days = 31\n", "store.keep_readings_days", "31", "32 to 36500"),
        (LEAST + "[store]\nkeep_messages_days = 0\n", "store.keep_messages_days", "0", "1 to 36500"),
        (LEAST + "[store]\nkeep_hours_days = 40.5\n", "store.keep_hours_days", "40.5", "whole number"),
        (LEAST + "[store]\nkeep_minutes_days = 60\n", "store", "keep_minutes_days 60", "as long as readings"),
        (LEAST + '[store]\nurl = "mysql://db/shells"\n', "store.url", "mysql://db/shells", "postgresql://drymon@db/"),
        (LEAST + '[store]\nurl = "postgresql://drymon@db"\n', "store.url", "drymon@db", "of a PostgreSQL database"),
        (LEAST + '[store]\nurl = "postgresql://[/x"\n', "store.url", "postgresql://[/x", "of a PostgreSQL database"),
        (LEAST + '[store]\nurl = "postgresql://db/x#y"\n', "store.url", "#y", "of a PostgreSQL database"),
        (LEAST + '[store]\nurl = "postgresql://a:b@db/x"\n', "store.url", "a:b@db", "~/.pgpass"),
        (LEAST + '[store]\nurl = "postgresql://a@db/x?password=b"\n', "store.url", "password=b", "PGPASSFILE"),
        (LEAST + '[broker]\npassword_file = "x"\n', "broker", "password_file without username", "allowed"),
        (LEAST + '[broker]\nca_file = "a"\ncert_file = "b"\n', "broker", "one of cert_file and key_file", "both"),
        (
            LEAST + '[[source]]\ntopic = "a/+"\nplace = "room"\nquantity = "humidity"\n',
            "source[1].topic",
            "a/+",
            "wildcards",
        ),
        (
            LEAST + '[[source]]\ntopic = "a"\nplace = "room"\nquantity = "smell"\n',
            "source[1].quantity",
            "smell",
            "'humidity'",
        ),
        (
            LEAST + '[[source]]\ntopic = "a"\nplace = "room"\nquantity = "humidity"\nunit = "degF"\n',
            "source[1].unit",
            "degF",
            "%RH",
        ),
        (
            LEAST + '[[source]]\ntopic = "a"\nplace = "room"\nquantity = "weight"\n',
            "source[1].sensor",
            "missing",
            "cell",
        ),
        (LEAST + '[notify]\ndaily_sign_of_life = "25:00"\n', "notify.daily_sign_of_life", "25:00", "06:30"),
        (LEAST + '[[notify.mail]]\nto = ["a@example.org"]\n', "notify", "[[notify.mail]]", "needs a server"),
        (LEAST + '[[notify.webhook]]\nurl = "ftp://x"\n', "notify.webhook[1].url", "ftp://x", "https?://"),
        ("x = 1\n", "room", "missing", "required"),
    ],
)
def test_refusals_name_key_received_and_allowed(broken, key, received, allowed) -> None:
    text = refusal(broken)
    assert "room.toml" in text
    assert key in text
    assert received in text
    assert allowed in text


def test_all_faults_are_told_at_once() -> None:
    text = refusal(LEAST.replace('"shop"', '"Shop"') + "dry_at = 2\n[page]\nport = 0\n")
    assert [key in text for key in ("room.name", "coat[1].dry_at", "page.port")] == [True] * 3
    assert len(text.splitlines()) == 3


def test_broken_toml_tells_the_line() -> None:
    assert "line 2" in refusal("[room]\nname = \n")


def test_a_folder_without_room_toml_says_how_to_make_one(tmp_path) -> None:
    with pytest.raises(SetupError, match="drymon init"):
        load_home(tmp_path)


def test_page_for_the_network_with_its_password_file(tmp_path) -> None:
    (tmp_path / "room.toml").write_text(LEAST + '[page]\nhost = "0.0.0.0"\npassword_file = "page.password"\n')
    (tmp_path / "page.password").write_text("open sesame\n")
    config = load_home(tmp_path)
    assert read_secret(config.page.password_file) == "open sesame"


@pytest.mark.parametrize("host", ["0.0.0.0", "127.0.0.1"])
@pytest.mark.parametrize(("content", "told"), [(b"", "holds 0 characters"), (b"\n", "holds 0 characters"),
    (b"seven77\n", "holds 7 characters"), (b"x" * 201, "holds 201 characters"), (b"\xff" * 9, "cannot be read"),
])  # fmt: skip
def test_a_page_password_that_is_none_is_refused(tmp_path, host, content, told) -> None:
    """8 characters, as for a user: the least of NIST SP 800-63B (2017, from memory)."""
    (tmp_path / "room.toml").write_text(LEAST + f'[page]\nhost = "{host}"\npassword_file = "page.password"\n')
    (tmp_path / "page.password").write_bytes(content)
    with pytest.raises(SetupError, match=f'page.password_file: received "page.password".*{told}.*write the page'):
        load_home(tmp_path)
    assert load_home(tmp_path, secrets=False).page.password_file == tmp_path / "page.password"


def test_a_name_given_twice_is_one_complaint(tmp_path) -> None:
    """What points at the other name that was meant is right as soon as that is."""
    twice = '[[rack]]\nname = "rack-a"\n[[source]]\ntopic = "w/t"\nplace = "rack-b"\nquantity = "temperature"\n'
    with pytest.raises(SetupError) as refused:
        parse_home(LEAST + twice, tmp_path)
    assert str(refused.value) == (
        f'{tmp_path / "room.toml"}: rack[2].name: received "rack-a" twice; allowed is each only once'
    )


def test_secrets_must_be_there(tmp_path) -> None:
    (tmp_path / "empty").write_text("\n")
    with pytest.raises(SetupError, match="is empty"):
        read_secret(tmp_path / "empty")
    with pytest.raises(SetupError, match="put the secret"):
        read_secret(tmp_path / "none")


def test_loopback_addresses() -> None:
    """RFC 5735 section 3: 127.0.0.0/8; RFC 4291 section 2.5.3: ::1."""
    assert [is_loopback(host) for host in ("localhost", "127.0.0.1", "127.9.9.9", "::1")] == [True] * 4
    assert [is_loopback(host) for host in ("0.0.0.0", "::", "192.168.1.4", "shop.local", "")] == [False] * 5


def test_notify_is_read() -> None:
    config = parse_home(
        LEAST
        + """
[notify]
daily_sign_of_life = "06:30"
lamp_topic = "workshop/lamp"
[notify.mail_server]
host = "mail.example.org"
sender = "drymon@example.org"
[[notify.mail]]
to = ["foreman@example.org"]
kinds = ["tree-hold"]
least_severity = "danger"
[[notify.webhook]]
url = "https://hooks.example.org/x"
secret_file = "webhook.secret"
[[notify.apprise]]
urls_file = "apprise.urls"
""",
        Path("/h"),
    )
    notify = config.notify
    assert notify.daily_sign_of_life.hour == 6
    assert notify.mails[0].to == ("foreman@example.org",)
    assert (notify.mails[0].kinds, notify.mails[0].least_severity) == (("tree-hold",), "danger")
    assert notify.webhooks[0].secret_file == Path("/h/webhook.secret")
    assert notify.apprises[0].urls_file == Path("/h/apprise.urls")
    assert (notify.mail_server.port, notify.mail_server.tls) == (587, "starttls")


def test_more_names_of_the_page(tmp_path) -> None:
    (tmp_path / "room.toml").write_text(LEAST + '[page]\nnames = ["Drymon.local", "shell-room.example.org"]\n')
    assert load_home(tmp_path).page.names == ("drymon.local", "shell-room.example.org")


def test_hours_are_minutes_of_the_day_and_days_of_the_week():
    given = LEAST + '[hours]\ndays = ["Fri", "Mon"]\nfrom = "07:30"\nto = "24:00"\ndip_min = 12\nhands = 2\n'
    hours = parse_home(given, Path("home")).room.hours
    assert (hours.days, hours.begin_min, hours.end_min, hours.dip_min, hours.hands) == ((0, 4), 450, 1440, 12.0, 2)


def test_without_hours_people_are_always_there():
    hours = parse_home(LEAST, Path("home")).room.hours
    assert (hours.days, hours.begin_min, hours.end_min) == ((0, 1, 2, 3, 4, 5, 6), 0, 1440)


@pytest.mark.parametrize(
    ("line", "received", "allowed"),
    [
        ('from = "7:00"', "7:00", '"00:00" to "24:00"'),
        ('to = "24:30"', "24:30", '"00:00" to "24:00"'),
        ('days = ["Mo"]', "Mo", "Mon"),
        ("days = []", "days", "at least 1"),
        ("dip_min = 0", "0", "above 0"),
        ("hands = 0", "0", "1 to 50"),
        ('from = "10:00"\nto = "10:05"', "10:00 to 10:05", "no dip can be done"),
    ],
)
def test_hours_that_no_plan_can_go_by_are_refused(line, received, allowed):
    told = refusal(f"{LEAST}[hours]\n{line}\n")
    assert received in told
    assert allowed in told
