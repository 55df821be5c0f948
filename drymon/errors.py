"""Everything that drymon raises on purpose: one root, each child also a fitting built-in.

A message says what was received, what is allowed and what to do.
"""


class DrymonError(Exception):
    """Root of all errors that drymon raises on purpose; its text is fit for a person in the shop."""


class SetupError(DrymonError, ValueError):
    """A room's configuration, a model file or a home folder is not usable as it stands."""


class RefusedMessage(DrymonError, ValueError):
    """A message cannot be understood; kept with this reason, never fatal."""


class StreamError(DrymonError, ValueError):
    """A recorded stream has a line that is no message."""


class StoreError(DrymonError, RuntimeError):
    """The database cannot be opened, is damaged, or is of a newer drymon."""


class BrokerError(DrymonError, ConnectionError):
    """No broker can be reached, or it refuses us."""


class LearningError(DrymonError, ValueError):
    """Weighed runs do not suffice, or contradict themselves, for what was asked."""


class AlarmError(DrymonError, ValueError):
    """An alarm cannot be acknowledged, shelved or taken out of service as asked."""


class JobsError(DrymonError, RuntimeError):
    """Jobs cannot be run beside each other as asked."""
