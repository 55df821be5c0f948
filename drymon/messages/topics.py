"""The topics of a room, built in one place."""

PREFIX = "drymon"

LOG = "log"
OUT = "out"


def room_prefix(room: str) -> str:
    """What every topic of the room begins with."""
    return f"{PREFIX}/{room}/"


def out_prefix(room: str) -> str:
    """What the topics begin with on which drymon speaks."""
    return f"{room_prefix(room)}{OUT}/"


def log_prefix(room: str) -> str:
    """What the topics of log events begin with."""
    return f"{room_prefix(room)}{LOG}/"


def everything(room: str) -> str:
    """A filter for all that is said in the room, misspelt topics too: they are refused where people see it."""
    return f"{room_prefix(room)}#"


def log_topic(room: str, event: str) -> str:
    """Where a log event is said."""
    return f"{log_prefix(room)}{event}"


def surface_topic(room: str, rack: str, probe: str) -> str:
    """Where a surface's temperature is said."""
    return f"{room_prefix(room)}{rack}/surface/{probe}"


def tree_topic(room: str, tree: str) -> str:
    """Where the verdict on a tree stands."""
    return f"{out_prefix(room)}tree/{tree}"


def rack_topic(room: str, rack: str) -> str:
    """Where the state of a rack stands."""
    return f"{out_prefix(room)}rack/{rack}"


def alert_topic(room: str) -> str:
    """Where alerts are said."""
    return f"{out_prefix(room)}alert"


def service_topic(room: str) -> str:
    """Where the service says that it is there."""
    return f"{out_prefix(room)}service"


def received_topic(room: str, device: str) -> str:
    """Where a node sees what of it is on disk."""
    return f"{out_prefix(room)}received/{device}"


def pulse_topic(room: str) -> str:
    """Where the service hears itself, to know that the way through the broker is open."""
    return f"{out_prefix(room)}pulse"


def is_own(room: str, topic: str) -> bool:
    """One of our own topics come back: nothing to learn from."""
    return topic.startswith(out_prefix(room))


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
