"""What goes to the broker next, and again: in order, each until the service has said that it is on its disk.

It keeps at most a window of readings on their way. Of a boot that the service has not answered for yet, it sends the
first reading alone: the service counts a node's numbers from the first one that it sees, so that one must be first.
"""

from __future__ import annotations

import logging
from collections import deque
from dataclasses import dataclass
from typing import Protocol

from drymon_sensors.buffer.ring import Entry, Kept, Lost, Ring
from drymon_sensors.clock import NodeTime, Taken, stamp
from drymon_sensors.payload import NEVER, Message, Number, Receipt, lost, reading

log = logging.getLogger(__name__)

WINDOW = 200
SETTLE_S = 1.0
"""After the connection stands, the service's last receipt is waited for: it spares sending again what it has."""
RESEND_S = 20.0
LONGEST_RESEND_S = 3600.0
AFTER_START_S = 5.0
"""A service that comes up first takes what the broker has kept for it."""
FRESH_S = 10.0
"""A reading without a time counts as taken when it arrives: only one as fresh as that may go so."""
CLOCK_PATIENCE_S = 150.0
"""The service says its time once a minute. Where it is not heard for so long, it will not be."""


class Wire(Protocol):
    """What takes messages."""

    def publish(self, message: Message) -> int:
        """Hand a message over; the identifier that its answer will have."""


@dataclass
class _Sent:
    entry: Entry
    mid: int


class Publisher:
    """One node's readings on their way. Not for several threads.

    refusal: why the broker does not take our readings, "" where it does; undated: readings given up for evidence, for
    nobody will ever know when they were taken.
    """

    def __init__(
        self, ring: Ring, wire: Wire, time: NodeTime, name: tuple[str, str], session: str, expires: bool = True
    ) -> None:
        """name: room and device; session: the machine's boot; expires: the broker can forget a message in time."""
        self._ring, self._wire, self._time = ring, wire, time
        (self._room, self._device), self._session, self._expires = name, session, expires
        self._sent: deque[_Sent] = deque()
        self._next: Entry | None = None
        self._answered: set[str] = set()
        self._up = False
        self._up_since = 0.0
        self._service: bool | None = None
        self._resend_at = float("inf")
        self._patience = RESEND_S
        self.refusal, self.undated = "", 0

    # ---- what happens --------------------------------------------------------------------------------------

    def up(self, now: float) -> None:
        """The connection stands."""
        self._up, self._up_since, self._service = True, now, None
        self._resend_at, self._patience = now + SETTLE_S + AFTER_START_S, RESEND_S

    def down(self) -> None:
        """The connection is lost. What the broker had not answered for, the client sends again by itself."""
        self._up = False

    def receipt(self, receipt: Receipt, now: float) -> None:
        """The service has all of that boot up to that number."""
        self._answered.add(receipt.boot)
        self._ring.cover(receipt.boot, receipt.seq)
        waiting = [each for each in self._sent if not _covers(receipt, each.entry)]
        if len(waiting) < len(self._sent):
            self._sent, self._patience = deque(waiting), RESEND_S
            self._resend_at = now + self._patience
        if self._next is not None and _covers(receipt, self._next):
            self._next = None

    def service(self, online: bool, now: float) -> None:
        """The service says that it is there, or is no more."""
        if online and self._service is not True:
            self._resend_at = now + AFTER_START_S
        self._service = online

    def answered(self, mid: int, refusal: str | None) -> None:
        """The broker's answer to a message of ours."""
        if any(each.mid == mid for each in self._sent):
            if refusal and refusal != self.refusal:
                log.warning("the broker does not hand our readings on: %s", refusal)
            self.refusal = refusal or ""

    # ---- what is to be done --------------------------------------------------------------------------------

    def pump(self, now: float) -> None:
        """Send what may be sent now."""
        if not self._up or now < self._up_since + SETTLE_S:
            return
        if self._sent and now >= self._resend_at and self._service is not False:
            self._send_again(now)
        while self._may_send():
            entry = self._next or self._ring.next()
            self._next = None
            if entry is None:
                return
            if not self._send(entry, now):
                self._next = entry
                return

    def _may_send(self) -> bool:
        """Room in the window, and no boot on its way that the service has not answered for."""
        return len(self._sent) < WINDOW and (not self._sent or self._sent[-1].entry.boot in self._answered)

    def _send(self, entry: Entry, now: float) -> bool:
        """False where it must wait until somebody knows what time it is."""
        message = self._message(entry, now)
        if message is None:
            return False
        if isinstance(entry, Kept) and self._time_of(entry, now) == NEVER:
            self.undated += 1
        if not self._sent:
            self._resend_at = now + self._patience
        self._sent.append(_Sent(entry, self._wire.publish(message)))
        return True

    def _send_again(self, now: float) -> None:
        """All that is on its way: the broker may have lost it."""
        for each in self._sent:
            message = self._message(each.entry, now)
            if message is not None:
                each.mid = self._wire.publish(message)
        if self._service is None:  # nobody says whether there is a service: ask ever more seldom
            self._patience = min(2.0 * self._patience, LONGEST_RESEND_S)
        self._resend_at = now + self._patience

    def _message(self, entry: Entry, now: float) -> Message | None:
        tail, value = entry.content[:2]
        number = Number(self._device, entry.boot, entry.seq)
        if isinstance(entry, Lost):
            return lost(self._room, tail, number, "its record on the node's disk was damaged")
        time = self._time_of(entry, now)
        if time is None:
            return None
        # One without a time the broker is to forget soon: delivered late, it would pass for a reading of then.
        expiry_s = None if time else int(FRESH_S)
        return reading(self._room, tail, value, time or None, number)._replace(expiry_s=expiry_s)

    def _time_of(self, entry: Entry, now: float) -> str | None:
        """When it was taken; "" where its arrival may count, NEVER where nobody will know, None where it must wait."""
        wall, running = entry.content[2:]
        taken, same = Taken(wall, running), self._same_machine_boot(entry)
        known = self._time.of(taken) if same else wall
        if known is not None:
            return stamp(known)
        if same and self._time.age(taken) <= FRESH_S and (self._expires or self._service):
            return ""
        return None if same and now < self._up_since + CLOCK_PATIENCE_S else NEVER

    def _same_machine_boot(self, entry: Entry) -> bool:
        return bool(self._session) and entry.session == self._session


def _covers(receipt: Receipt, entry: Entry) -> bool:
    return receipt.boot == entry.boot and entry.seq <= receipt.seq
