"""Payloads: what is said, byte for byte, and which words of the service are understood."""

from __future__ import annotations

import json

import pytest

from drymon_sensors import payload
from drymon_sensors.payload import Number, Receipt, ServiceWord

NUMBER = Number("node-1", "b3f2a9c4d1e0", 412)


def test_a_reading() -> None:
    message = payload.reading("shop", "rack-a/temperature", 21.48, "2031-03-03T06:00:00.000Z", NUMBER)
    assert message.topic == "drymon/shop/rack-a/temperature"
    assert message.payload == (
        b'{"value":21.48,"unit":"Cel","time":"2031-03-03T06:00:00.000Z",'
        b'"device":"node-1","boot":"b3f2a9c4d1e0","seq":412}'
    )
    assert (message.retain, message.expiry_s) == (False, None), "a reading is never retained"


def test_a_reading_without_a_time_says_none() -> None:
    assert "time" not in json.loads(payload.reading("shop", "room/humidity", 52.0, None, NUMBER).payload)


def test_a_number_that_is_none_is_our_own_fault() -> None:
    with pytest.raises(ValueError, match="JSON"):
        payload.reading("shop", "room/humidity", float("nan"), None, NUMBER)


@pytest.mark.parametrize(
    ("text", "said"),
    [("512.40", "512.40"), ("0012.4", "12.4"), (".5", "0.5"), ("-.5", "-0.5"), ("+3", "3"), ("0", "0"), ("00", "0")],
)
def test_a_weighing_keeps_the_scales_own_digits(text: str, said: str) -> None:
    """So its step: 512.40 is of a scale that shows hundredths."""
    message = payload.weighing("shop", "t-7", text, "g", 1_930_200_000.0, "7f3a", "Maria")
    assert f'"mass":{said},'.encode() in message.payload
    content = json.loads(message.payload)
    assert content == {
        "tree": "t-7",
        "mass": float(text),
        "unit": "g",
        "id": "7f3a",
        "time": "2031-03-02T06:40:00.000Z",
        "by": "Maria",
    }
    assert message.topic == "drymon/shop/log/weigh"


def test_a_name_with_any_letters_stays_json() -> None:
    message = payload.weighing("shop", "t-7", "1.0", "kg", None, "x", 'Jörg "the scale" \\')
    assert json.loads(message.payload)["by"] == 'Jörg "the scale" \\'


def test_a_spot_temperature() -> None:
    message = payload.spot("shop", "rack-a/surface/tip", "66.90", "degF", 1_930_200_000.25)
    assert message.topic == "drymon/shop/rack-a/surface/tip"
    assert message.payload == b'{"value":66.90,"unit":"degF","time":"2031-03-02T06:40:00.250Z"}'


def test_a_status_stays_with_the_broker_for_whoever_comes_later() -> None:
    message = payload.status("node-1", {"state": "online"})
    assert (message.topic, message.retain) == ("workshop/node-1/status", True)


@pytest.mark.parametrize(
    ("said", "understood"),
    [
        (b'{"boot": "b1", "seq": 7}', Receipt("b1", 7)),
        (b'{"boot": "b1", "seq": 7, "time": "2031-03-03T06:00:00Z"}', Receipt("b1", 7)),
        (b'{"boot": 3, "seq": 7}', None),
        (b'{"boot": "b1", "seq": "7"}', None),
        (b'{"boot": "b1", "seq": true}', None),
        (b"[1]", None),
        (b"", None),
        (b"\xff", None),
        (b"[" * 100_000, None),
    ],
)
def test_receipts(said: bytes, understood: Receipt | None) -> None:
    assert payload.read_receipt(said) == understood


@pytest.mark.parametrize(
    ("said", "understood"),
    [
        (b'{"state": "online", "time": "2031-03-02T06:40:00Z"}', ServiceWord(True, 1_930_200_000.0)),
        (b'{"state": "offline", "time": "2031-03-02T06:40:00.5Z"}', ServiceWord(False, 1_930_200_000.5)),
        (b'{"state": "offline", "time": "2031-03-02T06:40:00.123456Z"}', ServiceWord(False, 1_930_200_000.123456)),
        (b'{"state": "online", "time": "2031-03-02T07:40:00+01:00"}', ServiceWord(True, 1_930_200_000.0)),
        (b'{"state": "online", "time": "2031-03-02T06:40:00"}', None),
        (b'{"state": "online"}', None),
        (b'{"time": "yesterday", "state": "online"}', None),
        (b"online", None),
    ],
)
def test_words_of_the_service(said: bytes, understood: ServiceWord | None) -> None:
    assert payload.read_service(said) == understood
