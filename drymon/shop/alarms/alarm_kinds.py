"""The one table of what drymon warns of: every kind of alarm and notice, its delays, what its text must say.

The notions (alarm against notice, on-delay, off-delay, acknowledgement, return without acknowledgement) are
those of ANSI/ISA-18.2 and IEC 62682; OPC 10000-9, sections 4 and 5.8, defines the same ones and is free to
read. The times are common practice without a source: long enough that opening a door raises nothing, short
against a coat's hours.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Literal

from drymon.drying.quantities import RECORDED
from drymon.shop.facts.outcome import SEVERITIES, DoubtKind, Severity

AlarmClass = Literal["alarm", "notice"]

NONE = timedelta(0)
MINUTE = timedelta(minutes=1)
HOUR = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class AlarmWords:
    """Why it matters, and what to do."""

    matters: str
    action: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmKind:
    """A kind of alarm or notice.

    group: an alarm asks a person to do something and to acknowledge it; a notice only tells.
    severity: the gravest that it comes to, and what it is where nothing says how far from safe it is.
    milder: what is said where it is less than that; a notice of an alarm's kind only tells, as any notice.
    on_delay: how long the condition must hold before the alarm is raised.
    off_delay: how long it must be seen gone, without a gap in the evidence, before the alarm is cleared.
    repeat: how often it is said again while it holds and nobody has acknowledged it; None: never.
    lingers: once gone, it stays listed until acknowledged (used where it may go without anybody's doing).
    over: what is said once it is gone, where "Over: " before what it said would read as if it still were.
    happened: it tells of something done and over; acknowledging clears it.
    meaning, matters, action: what it is, why it matters, what to do; the last two end every raised text.
    """

    name: str
    group: AlarmClass = "alarm"
    severity: Severity = "warning"
    on_delay: timedelta = NONE
    off_delay: timedelta = NONE
    repeat: timedelta | None = None
    lingers: bool = False
    over: str = ""
    happened: bool = False
    meaning: str
    matters: str
    action: str
    milder: Mapping[Severity, AlarmWords] = field(default_factory=dict)

    @property
    def is_alarm(self) -> bool:
        """True where a person must acknowledge."""
        return self.group == "alarm"

    @property
    def severities(self) -> tuple[Severity, ...]:
        """All that it comes to, from mild to grave."""
        return tuple(one for one in SEVERITIES if one == self.severity or one in self.milder)

    def words(self, severity: Severity) -> AlarmWords:
        """Why it matters and what to do at this severity."""
        return self.milder.get(severity, AlarmWords(self.matters, self.action))


_ROOM_KINDS = (
    AlarmKind(
        name="rack-ready",
        group="notice",
        severity="notice",
        over="Rack {subject} is not called ready any more.",
        meaning="Every tree on the rack that awaits a dip is ready for it.",
        matters="The trees can take their next coat; this says nothing about dewax or pour.",
        action="Dip when it suits you.",
    ),
    AlarmKind(
        name="tree-ready",
        group="notice",
        severity="notice",
        over="Tree {subject} is not called ready any more.",
        meaning="The tree is ready for its next coat.",
        matters="The slowest part of the tree is dry enough; this says nothing about dewax or pour.",
        action="Dip when it suits you.",
    ),
    AlarmKind(
        name="window-closing",
        repeat=HOUR,
        meaning="The longest wait of the tree's coat is nearly over.",
        matters="A coat that waits too long may craze or lift, and the next coat may not bond.",
        action="Redip it in time if it is ready; else look at it before any dip.",
    ),
    AlarmKind(
        name="tree-hold",
        severity="danger",
        repeat=24 * HOUR,
        meaning="The tree must not be redipped before somebody has looked at it.",
        matters="Nobody knows how wet it is: a coat over water shut in can ruin the shell, and burst it later.",
        action="Look at the tree, its hook and its slowest pocket, then log what you found (sound, repaired or scrap).",
        milder={
            "warning": AlarmWords(
                "A coat over a flaw, or over water shut in, can ruin the shell.",
                "Look at the tree, then log what you found (sound, repaired or scrap).",
            ),
        },
    ),
    AlarmKind(
        name="redipped-early",
        severity="danger",
        meaning="The tree was dipped before it was ready.",
        matters="Much water is shut in below the new coat and leaves slowly; shut in for good it can burst the shell.",
        action="Mark the tree, give this coat its full time, and look at it before the next dip.",
        milder={
            "warning": AlarmWords(
                "Some water is shut in below the new coat and will leave slowly.",
                "Give this coat its full time, and feel its slowest pocket before the next dip.",
            ),
            "notice": AlarmWords(
                "It was likely dry, but not surely: what water there was is carried on in the reckoning.",
                "Nothing at once. Where shells come out sound at this pace, weigh a tree: drymon learns it, and says "
                "ready sooner.",
            ),
        },
    ),
    AlarmKind(
        name="air-out-of-band",
        on_delay=10 * MINUTE,
        off_delay=10 * MINUTE,
        lingers=True,
        meaning="The rack's air is outside the band set for a coat that hangs there.",
        matters="Air outside its band makes a coat craze, lift or stay wet.",
        action="See to heating, drying plant, fans and doors.",
        milder={
            "notice": AlarmWords(
                "It is a little outside only: the coats there dry at another pace, which their times allow for.",
                "See to heating, drying plant, fans and doors when you pass. Where the room is always so and shells "
                "come out sound, set the coat's band in room.toml to it.",
            ),
        },
    ),
    AlarmKind(
        name="sensor-silent",
        on_delay=2 * MINUTE,
        off_delay=2 * MINUTE,
        repeat=24 * HOUR,
        lingers=True,
        meaning="A sensor has stopped reporting.",
        matters="Without fresh readings no tree there can be called ready, and the gap counts as no drying.",
        action=(
            "Check its power, its cable or radio, and the broker. One that always speaks seldom needs a longer "
            "stale_after_min in room.toml, or should speak oftener."
        ),
    ),
    AlarmKind(
        name="sensor-stuck",
        off_delay=10 * MINUTE,
        repeat=24 * HOUR,
        lingers=True,
        meaning="A sensor repeats the same digits while the air around it changes.",
        matters="Its readings are no evidence, so no tree that depends on them can be called ready.",
        action="Restart the sensor, hold it against another one, replace it if it stays.",
    ),
    AlarmKind(
        name="sensor-doubt",
        on_delay=10 * MINUTE,
        off_delay=10 * MINUTE,
        repeat=24 * HOUR,
        lingers=True,
        meaning="A sensor reports values that cannot be, that jump as air does not, or that part from other sensors'.",
        matters=(
            "Values that cannot be are no evidence, and no tree that needs them can be called ready; a humidity that "
            "parts from the others towards dry counts as damp as they say."
        ),
        action=(
            "Check where it hangs (sprayed, in the sun, by a door?), its cable and its unit. Where it parts from the "
            "others, the other one may be wrong: check both over a saturated salt (`drymon calibrate humidity`), a "
            "new one too."
        ),
    ),
    AlarmKind(
        name=DoubtKind.CELL,
        on_delay=5 * MINUTE,
        off_delay=30 * MINUTE,
        repeat=24 * HOUR,
        lingers=True,
        meaning="A load cell's word is doubted.",
        matters="Its weight is left out of the verdicts until it can be trusted again.",
        action="See that the tree hangs freely, then check the cell's zero and with a known mass.",
    ),
    AlarmKind(
        name=DoubtKind.MODEL,
        off_delay=HOUR,
        repeat=24 * HOUR,
        lingers=True,
        meaning="A coat's model does not fit what is weighed, or its file cannot be used.",
        matters="Its dry-at times may be wrong.",
        action="Weigh more trees of this coat, fit its model anew, and judge by eye and hand meanwhile.",
    ),
    AlarmKind(
        name="clock-unknown",
        severity="danger",
        repeat=HOUR,
        lingers=True,
        meaning="The computer does not know what time it is.",
        matters="No wait can be measured, so every tree is unknown.",
        action="Connect it to the network or set its clock.",
    ),
)

_SERVICE_KINDS = (
    AlarmKind(
        name="page-unavailable",
        repeat=24 * HOUR,
        meaning="The page cannot be shown.",
        matters="Nobody sees the racks on the page; listening, recording and alarms go on.",
        action="Free the port or choose another one under [page], then start drymon again.",
    ),
    AlarmKind(
        name="database-restored",
        severity="danger",
        happened=True,
        repeat=24 * HOUR,
        meaning="The database was damaged or replaced, and a backup stands in its place.",
        matters="What was logged after the backup is missing: a tree may hang in the room unjudged.",
        action="Compare the trees on the racks with the list and log what is missing.",
    ),
    AlarmKind(
        name="message-set-aside",
        happened=True,
        repeat=24 * HOUR,
        meaning="A message stopped the service again and again, and is refused now.",
        matters="What it tells does not count: a reading, or a dip, may be missing.",
        action="See what sends it, and log anew what it was to tell; `drymon status` has it among the refused.",
    ),
    AlarmKind(
        name="disk-full-soon",
        on_delay=5 * MINUTE,
        off_delay=5 * MINUTE,
        repeat=24 * HOUR,
        lingers=True,
        meaning="The disk is nearly full.",
        matters="With a full disk nothing more is recorded, and no verdict can be given.",
        action="Free space, or move the home to a larger disk.",
    ),
    AlarmKind(
        name="notify-failed",
        off_delay=NONE,
        repeat=24 * HOUR,
        lingers=True,
        meaning="Messages to people cannot be delivered.",
        matters="Alarms reach nobody who is not looking at the page.",
        action="Check the network and [notify] in room.toml; try with `drymon notify --test`.",
    ),
)

KINDS: Mapping[str, AlarmKind] = {kind.name: kind for kind in (*_ROOM_KINDS, *_SERVICE_KINDS)}
"""Every kind by its name, in the order of the table."""

SERVICE_KINDS = frozenset(kind.name for kind in _SERVICE_KINDS)
"""Kinds that the service itself reports, as opposed to what is judged from the room."""

DEADBAND: Mapping[str, float] = {
    "temperature_c": 0.5,
    "humidity_pct": 2.0,
    "airflow_m_per_s": 0.1,
    **{row.key: row.settled for row in RECORDED.values()},
}
"""How far inside its band a value must be to count as back (K, %RH, m/s); at most a quarter of its width."""

SLIGHT = 1 / 3
"""Share of its band's width up to which a value outside is only a notice: 61 %RH where 35 to 55 %RH are asked for, 28
°C where 20 to 26 °C are (common practice without a source).
"""

WINDOW_NOTICE = 2 * HOUR
"""How long before `redip_by` window-closing is raised; at most a quarter of the whole wait."""

LONGEST_SHELF = timedelta(days=7)
"""Shelving is a pause: nothing is shelved for longer at a time."""
