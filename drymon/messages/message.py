"""A message as it came off the wire or out of a recorded stream: the start of the road."""

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class Message:
    """One MQTT publication.

    arrived: when drymon got it (aware UTC); in a recorded stream the line's own time.
    dup, mid: the broker's redelivery flag and packet identifier, where there is a wire; they only help to
        recognise the redelivery of an untimed, unnumbered reading.
    """

    arrived: datetime
    topic: str
    payload: bytes
    retain: bool = False
    qos: int = 0
    dup: bool = False
    mid: int | None = None
    expiry_s: int | None = None
