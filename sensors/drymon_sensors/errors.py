"""Everything that is raised on purpose: one root, each child also a fitting built-in.

A message says what was received, what is allowed and what to do.
"""


def words_of(error: OSError) -> str:
    """What the system says is wrong, without its number and without the path, which is told beside it."""
    return error.strerror or str(error)


class SensorsError(Exception):
    """Root of all errors that are raised on purpose; its text is fit for a person in the shop."""


class SetupError(SensorsError, ValueError):
    """The configuration, or a file that it names, is not usable as it stands."""


class ReadError(SensorsError, OSError):
    """A source gave no value that can be used."""


class Heating(ReadError):
    """The sensor's own heater is on, or was a moment ago: it measures itself, not the room."""


class NotYet(ReadError):
    """The source is well, but needs more time for its first value."""


class KeepError(SensorsError, OSError):
    """The disk does not take a reading."""


class BrokerError(SensorsError, ConnectionError):
    """No broker can be reached, or it refuses us."""
