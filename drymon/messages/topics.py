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


def is_own(room: str, topic: str) -> bool:
    """One of our own topics come back: nothing to learn from."""
    return topic.startswith(f"{PREFIX}/{room}/{OUT}/")


def topic_problem(topic: object) -> str | None:
    """What keeps a text from being a topic name (MQTT 5, section 4.7), or None."""
    if isinstance(topic, str) and ("+" in topic or "#" in topic):
        return "allowed is one full topic, without the wildcards + and #"
    return text_problem(topic)


def text_problem(topic: object) -> str | None:
    """What keeps a value from being read as a topic at all, or None."""
    if not isinstance(topic, str) or not topic:
        return "allowed is text of at least one character"
    if "\0" in topic:
        return "allowed is text without U+0000"
    try:
        encoded = topic.encode()
    except UnicodeEncodeError:
        return "allowed is well-formed Unicode"
    return "allowed are at most 65535 bytes" if len(encoded) > 65535 else None
