"""SenML packs: the examples and rules of RFC 8428."""

import json
from datetime import UTC, datetime, timedelta
from itertools import groupby

import pytest

from drymon.messages.senml import resolve

NOON = datetime(2031, 3, 3, 12, tzinfo=UTC)
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def one(**record):
    pack = resolve([{"n": "x", **record}], NOON)
    assert pack.refusals == []
    return pack.records[0]


def pack_of(rows):
    """The pack that the table's input columns describe."""
    labels = {"bn": "in_bn", "bt": "in_bt_s", "bu": "in_bu", "bver": "in_bver", "n": "in_n", "u": "in_u", "t": "in_t_s"}
    texts = {"bn", "bu", "n", "u"}
    records = []
    for row in rows:
        record = {k: row[c] if k in texts else float(row[c]) for k, c in labels.items() if row[c] != ""}
        value = row["resolved_value"]
        field = row["value_field"]
        record[field] = float(value) if field == "v" else value == "true" if field == "vb" else value
        records.append(record)
    return records


def test_examples_of_the_rfc(published) -> None:
    """Every record of the RFC's examples resolves to the name, unit, value and time in the table, or is no number."""
    numbers = 0
    for _, group in groupby(published("senml_examples"), key=lambda row: row["example"]):
        rows = list(group)
        pack = resolve(json.loads(json.dumps(pack_of(rows))), NOON)
        expected = [row for row in rows if row["value_field"] == "v"]
        assert len(pack.records) == len(expected)
        assert len(pack.refusals) == len(rows) - len(expected)
        for record, row in zip(pack.records, expected, strict=True):
            assert record.name == row["resolved_n"]
            assert (record.unit or "") == row["resolved_u"]
            assert record.value == pytest.approx(float(row["resolved_value"]))
            relative = "relative" in row["resolved_t_s"]
            time = NOON if relative else EPOCH + timedelta(seconds=float(row["resolved_t_s"]))
            assert abs(record.time - time) <= timedelta(microseconds=1)
            assert record.absolute is not relative
            numbers += 1
    assert numbers == 38


def test_time_below_2_to_28_is_relative(published) -> None:
    """Section 4.5.3: the smallest absolute time is printed in the table."""
    (rule,) = (row["rule"] for row in published("senml_rules") if row["item"].startswith("time >= 2^28"))
    smallest = one(v=1, t=2**28)
    assert smallest.absolute
    assert rule.endswith(smallest.time.strftime("smallest is %Y-%m-%dT%H:%M:%SZ"))
    assert one(v=1, t=-30).time == NOON - timedelta(seconds=30)
    assert one(v=1, t=2**28 - 1).time > NOON
    assert one(v=1).time == NOON


def test_base_time_and_time_are_added_before_the_test() -> None:
    """Section 4.5.3: the sum decides."""
    assert one(v=1, bt=2**27, t=2**27).absolute
    assert not one(v=1, bt=2**27, t=2**27 - 1).absolute


def test_base_fields_hold_until_replaced() -> None:
    """Sections 4.1 and 4.6."""
    pack = resolve(
        [{"bn": "a:", "bu": "Cel", "n": "t", "v": 1}, {"n": "t", "v": 2}, {"bn": "b:", "n": "t", "v": 3}], NOON
    )
    assert [(r.name, r.unit) for r in pack.records] == [("a:t", "Cel"), ("a:t", "Cel"), ("b:t", "Cel")]


def test_unit_wins_over_base_unit() -> None:
    assert one(v=1, bu="Cel", u="K").unit == "K"


def test_base_value_is_added() -> None:
    """Section 4.5.4."""
    assert one(v=1.5, bv=20).value == 21.5


@pytest.mark.parametrize("name", ["", "-a", "_a", "a b", "a+b", "a#b", "ä"])
def test_names_outside_the_allowed_characters(name) -> None:
    """Section 4.5.1."""
    pack = resolve([{"n": name, "v": 1}, {"n": "good", "v": 2}], NOON)
    assert [record.name for record in pack.records] == ["good"]
    assert "name" in pack.refusals[0]


@pytest.mark.parametrize(
    "record",
    [
        {},
        {"vs": "x"},
        {"vb": True},
        {"vd": "aGk"},
        {"s": 5},
        {"v": 1, "vs": "x"},
        {"v": "1"},
        {"v": True},
        {"v": 1, "t": "0"},
        {"v": 1, "u": 5},
        {"v": 1, "t": 1e300},
    ],
)
def test_a_record_that_is_no_number_costs_only_itself(record) -> None:
    """Section 4.2: exactly one value field; a quantity needs a number; sums are not taken."""
    pack = resolve([{"n": "x", **record}, {"n": "good", "v": 2}], NOON)
    assert [r.name for r in pack.records] == ["good"]
    assert len(pack.refusals) == 1


def test_a_number_beside_a_sum_counts() -> None:
    assert one(v=1, s=5).value == 1


@pytest.mark.parametrize("version", [11, 27, 0.5, "10", True, None])
def test_newer_versions_are_refused(version) -> None:
    """Section 4.4: a reader must not use a pack of a version that it does not know."""
    with pytest.raises(ValueError, match="bver"):
        resolve([{"n": "x", "v": 1, "bver": version}], NOON)


@pytest.mark.parametrize("version", [5, 10, 26])
def test_known_versions(version) -> None:
    """Drafts had 5, the RFC has 10, RFC 9100 adds 16 for secondary units."""
    assert one(v=1, bver=version).value == 1


def test_one_version_in_the_whole_pack() -> None:
    with pytest.raises(ValueError, match="one in the pack"):
        resolve([{"n": "x", "v": 1, "bver": 10}, {"n": "x", "v": 1, "bver": 5}], NOON)


def test_labels() -> None:
    """Section 4.4: unknown labels are ignored, except those that must be understood."""
    assert one(v=1, colour="red", ut=10).value == 1
    with pytest.raises(ValueError, match="must"):
        resolve([{"n": "x", "v": 1, "colour_": "red"}], NOON)


@pytest.mark.parametrize("data", [{}, [], [1], "x", None, [{"n": "x", "v": 1}, None], [{"n": "x", "v": 1, "bn": 5}]])
def test_what_is_no_pack(data) -> None:
    """Section 5: an array of objects."""
    with pytest.raises(ValueError, match="received"):
        resolve(data, NOON)


@pytest.mark.parametrize("label", ["n", "u", "bn", "bu"])
def test_texts_of_two_hundred_characters_are_taken_and_longer_ones_refused(label) -> None:
    """Not of the RFC: base fields come again with every record."""
    pack = resolve([{"n": "x", "v": 1, label: "y" * 200}], NOON)
    assert len(pack.records) == 1
    if label.startswith("b"):
        with pytest.raises(ValueError, match=f"{label}: .*at most 200 characters"):
            resolve([{"n": "x", "v": 1, label: "y" * 201}], NOON)
    else:
        (refusal,) = resolve([{"n": "x", "v": 1, label: "y" * 201}], NOON).refusals
        assert "at most 200 characters" in refusal
