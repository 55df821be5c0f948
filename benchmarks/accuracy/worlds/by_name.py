"""The worlds by name. Two are kept shut: nobody who works on drymon's models looks at them or runs them meanwhile."""

from importlib import import_module

import numpy as np

from benchmarks.accuracy.worlds.protocol import Body

WORLDS = ("layers", "soak", "front", "pores", "edges")
SHUT = ("shut-one", "shut-two")


def allowed(world: str, shut: bool = False) -> None:
    """ValueError for a world that there is not, or one that is kept shut where `shut` does not open it."""
    names = (*WORLDS, *SHUT) if shut else WORLDS
    if world not in names:
        kept = "; it is kept shut" if world in SHUT else ""
        raise ValueError(f"world {world!r}{kept}: allowed are {', '.join(names)}")


def draw(world: str, rng: np.random.Generator) -> Body:
    """Another shop's material of that world."""
    allowed(world, shut=True)
    module = import_module(f"benchmarks.accuracy.worlds.{world.replace('-', '_')}")
    body: Body = module.draw(rng)
    return body
