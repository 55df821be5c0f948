"""What a PostgreSQL server says where it cannot, by its codes (SQLSTATE; its manual, appendix A), and what to do about
it.
"""

from drymon.store.engine import EngineError

LOST = "08006"
"""The code of a connection that was lost, where none came with the error."""

_ADVICE = (
    (("53100",), "the server's disk is full: make room there; nothing that was stored is lost"),
    (("55P03", "40P01"), "another program holds this room's tables: only one drymon may write to a room"),
    (("42501",), "let this user make schemas in the database: GRANT CREATE ON DATABASE name TO user"),
    (("25006",), "this is a connection that only reads, or the server is a standby: name the one that may be written"),
    (("53300",), "the server has no connection left: raise max_connections there"),
    (
        ("28",),
        "see that user and password are right; the password stands in ~/.pgpass, or in the file PGPASSFILE names",
    ),
    (("3D000",), "make the database on the server first: createdb NAME"),
    (("57P", "08"), "see that the server runs and can be reached"),
)
_AT_THE_DOOR = (
    ("the database system ", "57P03"),  # it starts, stops or recovers: it will be back
    ("password", "28P01"),
    ("authentication", "28000"),
    ("pg_hba.conf", "28000"),
    ("role ", "28000"),
    ("database ", "3D000"),
    ("too many", "53300"),
)
"""Words of a refusal to connect, which comes without a code, and the code that says the same; the first that fits."""
_DAMAGED = ("XX001", "XX002")


def failed(name: str, text: str, *, gone: bool) -> EngineError:
    """A statement that could not be carried out. name: its code, else the error's kind; gone: so is the connection."""
    return EngineError(_first_line(text, ""), name, _advice(name), damaged=name in _DAMAGED, gone=gone)


def refused(url: str, code: str | None, text: str) -> EngineError:
    """Why there is no connection. A server that is away may come; all else stays wrong until somebody mends it."""
    words = _first_line(text, "no connection").removeprefix("connection failed: ")
    name = code or next((each for said, each in _AT_THE_DOOR if said in words), "08001")
    return EngineError(f"{url}: {words}", name, _advice(name), gone=name.startswith(("08", "57P", "53300")))


def _first_line(text: str, otherwise: str) -> str:
    return next(iter(text.strip().splitlines()), otherwise)


def _advice(name: str) -> str:
    found = (words for codes, words in _ADVICE if name.startswith(codes))
    return next(found, "see the server's own log")
