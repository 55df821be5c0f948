"""How it stands with the broker, by what the network has told and when. Pure: seconds of running time are given.

The network's thread writes and the loop's reads; each field changes in one step, so that neither sees half of one.
"""

from dataclasses import dataclass
from enum import Enum

PULSE_EVERY_S = 15.0
PULSE_LATE_S = 60.0
SUBSCRIBE_AGAIN_S = 60.0
NO_ANSWER_S = 10.0
HEARD_OUT_S = 5.0
"""Where no pulse comes back, what waited in the broker is taken to have come within so long."""


class Due(Enum):
    """What the connection needs now."""

    NOTHING = "nothing"
    OTHER_PROTOCOL = "begin again, in the other version of MQTT"
    SUBSCRIPTIONS = "ask for the subscriptions again"
    PULSE = "send the message that has to come back"


@dataclass(slots=True)
class Link:
    """One listener's, over all its connections.

    mqtt5: speaks MQTT 5, else 3.1.1.
    generation: number of the connection; a packet identifier of another one names another message.
    standing: the subscriptions stand; fresh: nobody has been told so yet; ever_stood: since the process began.
    away_since, unanswered_since, asked_at: seconds; since when the broker is away, a socket is open without an answer,
        the subscriptions are asked for; None where it is not so.
    stood_at, pulse_sent, pulse_seen: seconds, of the last time; 0.0 before there was any. pulse_seen: of one that was
        sent on this connection.
    """

    mqtt5: bool
    generation: int = 0
    standing: bool = False
    fresh: bool = False
    ever_stood: bool = False
    other_protocol: bool = False
    away_since: float | None = None
    unanswered_since: float | None = None
    asked_at: float | None = None
    stood_at: float = 0.0
    pulse_sent: float = 0.0
    pulse_seen: float = 0.0

    def opened(self, now: float) -> None:
        """A socket is open; the broker has not answered yet."""
        if self.unanswered_since is None:
            self.unanswered_since = now

    def answered(self) -> None:
        """The broker has answered, or no socket could be opened."""
        self.unanswered_since = None

    def away(self, now: float) -> None:
        """The broker cannot be reached, or the connection went without a farewell."""
        if self.away_since is None:
            self.away_since = now

    def lost(self) -> None:
        """There is no connection, or a new one that has no subscriptions yet."""
        self.generation += 1
        self.standing, self.fresh, self.asked_at, self.pulse_seen = False, False, None, 0.0

    def stands(self, now: float) -> float | None:
        """The subscriptions stand; for how many seconds the broker was away, None where it was not."""
        gone = None if self.away_since is None else now - self.away_since
        self.away_since, self.asked_at, self.stood_at = None, None, now
        self.standing = self.fresh = self.ever_stood = True
        return gone

    def came_online(self) -> bool:
        """True once after each time that the subscriptions came to stand."""
        fresh, self.fresh = self.fresh, False
        return fresh

    def due(self, now: float) -> Due:
        """What to do now, asked once a second or so."""
        if self.unanswered_since is not None and now - self.unanswered_since > NO_ANSWER_S:
            self.other_protocol = True  # some brokers have no word for a protocol that they do not know
        if self.other_protocol:
            return Due.OTHER_PROTOCOL
        if self.asked_at is not None and now - self.asked_at > SUBSCRIBE_AGAIN_S:
            return Due.SUBSCRIPTIONS
        pulse = self.pulse_sent < self.stood_at or now - self.pulse_sent > PULSE_EVERY_S
        return Due.PULSE if self.standing and pulse else Due.NOTHING

    def change_protocol(self) -> None:
        """Speak the other version of MQTT from the next connection on."""
        self.mqtt5, self.other_protocol, self.unanswered_since = not self.mqtt5, False, None

    def heard_out(self, now: float) -> bool:
        """All that waited in the broker when the subscriptions came to stand is here: a broker keeps what it has for us
        in order, so that a pulse which was sent on this connection comes back behind it.
        """
        return self.standing and (self.pulse_seen > 0.0 or now - self.stood_at > HEARD_OUT_S)

    def pulse_is_missing(self) -> bool:
        """The last pulse was sent on this connection and did not come back."""
        return self.pulse_seen < self.pulse_sent and self.pulse_sent > self.stood_at

    def pulse_is_late(self, now: float) -> bool:
        """Pulses came back on this connection, and no longer do."""
        return self.standing and 0.0 < self.pulse_seen < now - PULSE_LATE_S
