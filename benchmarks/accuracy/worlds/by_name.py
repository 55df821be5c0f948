"""The worlds by name. Some are kept shut: nobody who works on drymon's models looks at them or runs them meanwhile.

Open ones are run by default. Those that were kept shut once and have been opened keep their names, and are run where
they are asked for.
"""

from importlib import import_module

import numpy as np

from benchmarks.accuracy.worlds.protocol import Body

WORLDS = ("layers", "soak", "front", "pores", "edges")
OPENED = ("shut-one", "shut-two")
SHUT = ("shut-three", "shut-four")
ALL = (*WORLDS, *OPENED, *SHUT)


def allowed(world: str, shut: bool = False) -> None:
    """ValueError for a world that there is not, or one that is kept shut where `shut` does not open it."""
    names = ALL if shut else (*WORLDS, *OPENED)
    if world not in names:
        kept = "; it is kept shut" if world in SHUT else ""
        raise ValueError(f"world {world!r}{kept}: allowed are {', '.join(names)}")


def edges(world: str) -> str:
    """How thick edges are over faces, as anybody sees: a word of room.toml."""
    return {"edges": "thick", "shut-four": "usual"}.get(world, "even")


def draw(world: str, rng: np.random.Generator) -> Body:
    """Another shop's material of that world."""
    allowed(world, shut=True)
    module = import_module(f"benchmarks.accuracy.worlds.{world.replace('-', '_')}")
    body: Body = module.draw(rng)
    return body
