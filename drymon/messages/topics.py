"""The topics of a room, built in one place."""

PREFIX = "drymon"

LOG = "log"
OUT = "out"


def readings_filter(room: str, place: str) -> str:
    """Everything that is measured at a place."""
    return f"{PREFIX}/{room}/{place}/#"


def log_topic(room: str, event: str) -> str:
    """Where a log event is said."""
    return f"{PREFIX}/{room}/{LOG}/{event}"


def tree_topic(room: str, tree: str) -> str:
    """Where the verdict on a tree stands."""
    return f"{PREFIX}/{room}/{OUT}/tree/{tree}"


def rack_topic(room: str, rack: str) -> str:
    """Where the state of a rack stands."""
    return f"{PREFIX}/{room}/{OUT}/rack/{rack}"


def alert_topic(room: str) -> str:
    """Where alerts are said."""
    return f"{PREFIX}/{room}/{OUT}/alert"


def service_topic(room: str) -> str:
    """Where the service says that it is there."""
    return f"{PREFIX}/{room}/{OUT}/service"


def received_topic(room: str, device: str) -> str:
    """Where a node sees what of it is on disk."""
    return f"{PREFIX}/{room}/{OUT}/received/{device}"
