"""The line that tells a person what to do: every state and reason has one, and it says what the verdict says."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from drymon.drying.quantities import Quantity
from drymon.shop.facts.outcome import Reason, State, Verdict, When
from drymon.shop.fold.room import Room
from drymon.shop.verdict.advice import CountedTouch, advice, unheard
from drymon.shop.verdict.reasons import REASONS, Effect
from tests.shop.invented_shop import BEGIN, MODELS, SETUP, STEADY, Shop, codes, model

NOON = datetime(2031, 3, 3, 12, tzinfo=UTC)
NEVER = When(None, None, None)


def when(*hours: float | None) -> When:
    return When(*(None if hour is None else NOON + timedelta(hours=hour) for hour in hours))


def verdict(state: State, *reasons: str, dry_at: When = NEVER, **changes: object) -> Verdict:
    """What was said at noon, UTC."""
    said = Verdict(
        NOON, NOON, "t-7", "rack-a", "backup", 4, NOON - timedelta(hours=2), state, None, dry_at, None,
        tuple(Reason(code, f"because of {code}") for code in reasons), shelter="open", next_coat="seal",
    )  # fmt: skip
    return replace(said, **changes)


def line(said: Verdict, **more: object) -> str:
    return advice(said, UTC, **more)


@pytest.mark.parametrize(
    ("hours", "shelter", "told"),
    [
        ((1, 2.5, 5), "open", "likely dry at 14:30: touch-test it then; surely by 17:00"),
        ((1, 2.5, 5), "deep", "likely dry at 14:30: touch-test it in the pocket then; surely by 17:00"),
        ((1, 2.5, 20), "open", "likely dry at 14:30: touch-test it then; surely by Tue 08:00"),
        ((1, 2.5, None), "open", "likely dry at 14:30: touch-test it then; not sure within 14 days"),
        ((-2, -1, 5), "open", "likely dry since 11:00: touch-test it, and tell drymon with felt; surely by 17:00"),
        (
            (-2, -1, 5),
            "pocketed",
            "likely dry since 11:00: touch-test it in the pocket, and tell drymon with felt; surely by 17:00",
        ),
        ((None, None, None), "open", "not dry within 14 days in this air: it needs drier air, warmth or a fan"),
    ],
)
def test_while_it_dries_the_hand_is_told_when_and_the_clock_by_when(
    hours: tuple[float | None, ...], shelter: str, told: str
) -> None:
    assert line(verdict(State.DRYING, "wet", dry_at=when(*hours), shelter=shelter)) == told


def test_moments_are_those_of_the_rooms_clock() -> None:
    said = verdict(State.DRYING, "wet", dry_at=when(1, 2.5, 13))
    assert (
        advice(said, ZoneInfo("Asia/Tokyo")) == "likely dry at 23:30: touch-test it then; surely by Tue 10:00"
    )  # 9 hours east of UTC


@pytest.mark.parametrize(
    ("hours", "told"),
    [
        ((None, None, None), "too damp to dry within 14 days: bring the air to 55 % RH or less"),
        (
            (1, 2, None),
            "likely dry at 14:00: touch-test it then; to be sure of it bring the air to 55 % RH or less",
        ),
    ],
)
def test_air_too_damp_says_which_would_do(hours: tuple[float | None, ...], told: str) -> None:
    assert line(verdict(State.DRYING, "wet", "air-too-damp", dry_at=when(*hours)), would_do=55.0) == told


def test_a_longest_wait_that_ends_before_it_is_sure_is_told() -> None:
    said = verdict(State.DRYING, "wet", dry_at=when(1, 2, 30), redip_by=NOON + timedelta(hours=22))
    assert line(said).endswith("; surely by Tue 18:00; its longest wait ends at Tue 10:00")
    for by in (NOON + timedelta(hours=31), NOON - timedelta(hours=1)):
        assert "longest" not in line(replace(said, redip_by=by))


@pytest.mark.parametrize("finding", ["dry", "wet"])
def test_who_has_just_felt_it_is_told_when_a_finger_counts_again(finding: str) -> None:
    touch = CountedTouch(finding, NOON - timedelta(minutes=10), NOON + timedelta(minutes=20))
    said = verdict(State.DRYING, "wet", dry_at=when(-2, -1, 5))
    assert line(said, touch=touch) == (
        f"likely dry since 11:00, felt {finding} at 11:50: touch-test it again from 12:20; surely by 17:00"
    )
    ahead = replace(said, dry_at=when(1, 2, 5))
    assert line(ahead, touch=touch) == line(ahead)


@pytest.mark.parametrize(
    ("reasons", "hours", "told"),
    [
        (("too-soon",), (1, 1, 1), "dry as far as is known, but the binder gels until 13:00: nothing to do before"),
        (("too-soon", "wet"), (1, 2, 3), "likely dry at 14:00: touch-test it then; surely by 15:00"),
        (("weighing-awaited",), (-2, -1, 0.1), "dry by its weight: its load cell's next weighing decides"),
        (("weight-falling",), (-3, -2, -1), "dry by the air, but the scale still sees water leave: wait"),
        (("wet",), (-3, -2, -1), "dry by the air, but its probe is still colder"),
    ],
)
def test_what_else_speaks_against_a_dry_tree_is_told(
    reasons: tuple[str, ...], hours: tuple[float, ...], told: str
) -> None:
    assert line(verdict(State.DRYING, *reasons, dry_at=when(*hours))).startswith(told)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"redip_by": NOON + timedelta(hours=30)}, "dip it by Tue 18:00 (seal next)"),
        ({"redip_by": NOON - timedelta(hours=1)}, "dip it soon (seal next): its longest wait ended at 11:00"),
        ({}, "dip it when it suits you (seal next)"),
        ({"next_coat": None}, "dip it when it suits you"),
    ],
)
def test_ready_says_by_when(changes: dict[str, object], told: str) -> None:
    assert line(verdict(State.READY, **changes)) == told


def test_a_hold_says_what_to_look_for_and_what_to_tell() -> None:
    told = line(verdict(State.HOLD, "too-fast", "wet", dry_at=when(1, 2, 5)))
    assert told == (
        "look before any dip, for hair cracks, at thin edges and sharp corners first; then tell drymon with look; "
        "likely dry at 14:00"
    )
    unlearned = line(verdict(State.HOLD, "pocket-unlearned", dry_at=when(-3, -2, -1), shelter="deep"))
    assert "pockets that are dark, shiny or cool" in unlearned
    assert unlearned.endswith("; then tell drymon with look, or felt wet")


def test_no_state_and_no_reason_goes_without_a_word_on_what_to_do() -> None:
    effects = {Effect.UNKNOWN: State.UNKNOWN, Effect.HOLD: State.HOLD, Effect.DRYING: State.DRYING}
    lines = {code.value: line(verdict(effects.get(kind.effect, State.READY), code)) for code, kind in REASONS.items()}
    lines |= {state.value: line(verdict(state)) for state in State if state is not State.HOLD}
    lines |= {str(online): unheard(online) for online in (True, False)}
    for code, told in lines.items():
        assert told, code
        assert "\n" not in told
        assert "{" not in told, code
        assert len(told) < 320, code
        assert ("dewax" in told) is (code == "complete"), code
    for code, kind in REASONS.items():
        if kind.effect is Effect.UNKNOWN:
            assert lines[code].endswith("; until then take the tree as wet")
    assert "look" in lines["too-long"]
    assert "see to the sensor of rack-a" in lines["air-unknown"]
    assert "add backup to room.toml" in lines["coat-unknown"]


def test_complete_promises_nothing_of_dewax_or_pour() -> None:
    told = line(verdict(State.COMPLETE))
    assert "dewax and pour only by your own procedure" in told
    assert "ready" not in told
    assert "may" not in told.split()


# --- in a room ---------------------------------------------------------------------------------------------------


def test_the_likely_moment_is_told_ahead_and_said_anew_when_it_has_come() -> None:
    shop = Shop()
    shop.run(0.2)
    first = shop.dip("t-1", "middle")
    assert first.dry_at.best is not None
    assert first.dry_at.late is not None
    assert first.advice == (
        f"likely dry at {first.dry_at.best:%H:%M}: touch-test it then; surely by {first.dry_at.late:%H:%M}"
    )
    shop.until("t-1", State.READY)
    said = shop.verdicts("t-1")
    came = next(one for one in said if "since" in one.advice)
    before = said[said.index(came) - 1]
    assert came.state is State.DRYING
    assert came.advice.startswith(f"likely dry since {came.dry_at.best:%H:%M}: touch-test it, and tell drymon")
    assert before.dry_at.best is not None
    assert came.dry_at.best is not None
    assert before.dry_at.best > before.time
    # Told within the minute, not with the next five minutes' word.
    assert timedelta(0) <= came.time - came.dry_at.best <= timedelta(minutes=1)
    assert sum("since" in one.advice and one.time.minute % 5 != 0 for one in said) <= 1
    assert shop.tree("t-1").advice == "dip it when it suits you (backup next)"


def test_a_finger_s_word_is_answered_with_when_the_next_one_counts() -> None:
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "middle", shelter="pocketed")
    assert "in the pocket" in shop.tree("t-1").advice
    assert shop.run(20, until=lambda: "since" in shop.tree("t-1").advice)
    shop.felt("t-1", "dry", "face")
    assert "again" not in shop.tree("t-1").advice  # a face says nothing of the pocket
    shop.felt("t-1", "dry", "pocket")
    again = shop.now + timedelta(minutes=30)
    told = f", felt dry at {shop.now:%H:%M}: touch-test it in the pocket again from {again:%H:%M}; surely by"
    assert told in shop.tree("t-1").advice
    shop.run(0.6)
    assert shop.tree("t-1").state is State.DRYING
    assert "again" not in shop.tree("t-1").advice
    shop.felt("t-1", "wet", "pocket")
    assert "felt dry" not in shop.tree("t-1").advice


def test_the_line_goes_by_the_room_s_zone_and_knows_what_holds() -> None:
    shop = Shop(models={name: model(name, runs=0) for name in MODELS})
    shop.room = Room(SETUP, {name: model(name, runs=0) for name in MODELS}, ZoneInfo("Asia/Tokyo"))
    shop.room.advance(BEGIN)
    shop.run(0.2)
    first = shop.dip("t-1", "middle", shelter="pocketed")
    assert first.dry_at.best is not None
    local = first.dry_at.best.astimezone(ZoneInfo("Asia/Tokyo"))
    assert f"likely dry at {local:%H:%M}" in first.advice
    shop.until("t-1", State.HOLD)
    assert codes(shop.tree("t-1")) >= {"pocket-unlearned"}
    assert "tell drymon with look, or felt wet" in shop.tree("t-1").advice
    shop.look("t-1")
    assert shop.tree("t-1").advice.startswith("dip it")


def test_silence_and_the_last_coat() -> None:
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "seal")
    shop.run(0.5, None)
    assert shop.tree("t-1").state is State.UNKNOWN
    assert shop.tree("t-1").advice.startswith("see to the sensor of rack-a")
    shop.until("t-1", State.COMPLETE)
    assert "no dip is left" in shop.tree("t-1").advice


def test_damp_air_is_told_with_what_would_do() -> None:
    shop = Shop()
    damp = {**STEADY, Quantity.HUMIDITY: 92.0}
    shop.run(0.2, damp)
    said = shop.dip("t-1", "middle")
    assert "air-too-damp" in codes(said)
    assert "bring the air to" in said.advice
