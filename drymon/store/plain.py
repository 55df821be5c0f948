"""A graph of drymon's own objects as plain data, and back: JSON for the structure, raw bytes for the arrays.

Dataclasses go by the names of their fields and other objects by their attributes, so that a new field needs no code
here. What is read makes objects of the classes allowed and runs nothing of theirs. Objects that are one stay one.
"""

import json
from collections import deque
from collections.abc import Callable, Container, Iterable, Mapping, Sequence
from dataclasses import fields, is_dataclass
from datetime import UTC, datetime, timedelta
from enum import Enum
from math import prod
from types import MappingProxyType
from typing import Any, Literal, Protocol

import numpy as np
import numpy.typing as npt

from drymon.store.codec import from_us, to_us
from drymon.store.image import PART, Image, digest

SMALL = 1024
"""Bytes of an array that goes into the common heap: it is no part of its own."""
PACKED = 8
"""Numbers in a tuple from which on it is kept as an array."""

_PLAIN = frozenset({type(None), bool, int, float, str})
_DTYPES = {"<f8": 8, "<i8": 8, "|b1": 1}
_NOTHING = ["nothing"]
_COLLECTED: Mapping[str, Callable[[Iterable[Any]], Any]] = {"tuple": tuple, "set": set, "frozenset": frozenset}
_MICROSECOND = timedelta(microseconds=1)


class UnreadableImage(Exception):
    """What was read is no image of these classes, or it was asked to keep what it cannot."""


class Packs(Protocol):
    """An object that says itself what is to be kept of it."""

    def packed(self) -> dict[str, Any]:
        """What is to be kept, by name."""

    def unpack(self, kept: Mapping[str, Any]) -> None:
        """Be what was kept."""


def classes_of(modules: Iterable[Any]) -> dict[str, type]:
    """The classes that these modules define, by full name: what images may be made of."""
    found = (one for module in modules for one in vars(module).values() if isinstance(one, type))
    return {f"{one.__module__}.{one.__qualname__}": one for one in found}


def freeze(
    value: Any, known: Mapping[str, Any], classes: Mapping[str, type], have: Container[bytes] = frozenset()
) -> Image:
    """`value` and all that it holds; `known` objects by their names, as whoever reads it has them. have: the digests of
    parts that are kept already.
    """
    freezer = _Freezer(known, classes, have)
    root = freezer.node(value)
    document = json.dumps({"classes": freezer.layouts, "root": root}, separators=(",", ":"))
    return Image(document, bytes(freezer.heap), tuple(freezer.order), freezer.parts)


def thaw(image: Image, known: Mapping[str, Any], classes: Mapping[str, type]) -> Any:
    """What was frozen. Raises UnreadableImage where that is not what it says."""
    try:
        document = json.loads(image.document)
        return _Thawer(image, document["classes"], known, classes).value(document["root"])
    except (LookupError, TypeError, ValueError, AttributeError, RecursionError, OverflowError) as error:
        raise UnreadableImage(f"no image of this drymon: {error!r}") from error


class _Freezer:
    """Numbers every object in the order in which it is met; what is met again is its number."""

    def __init__(self, known: Mapping[str, Any], classes: Mapping[str, type], have: Container[bytes]) -> None:
        self._have = have
        self._names = {id(one): name for name, one in known.items()}
        self._allowed = {one: name for name, one in classes.items()}
        self._numbers: dict[int, int] = {}
        self._held: list[Any] = []  # no object may give its id away while others are numbered
        self._layouts: dict[type, tuple[int, Sequence[str]]] = {}
        self.layouts: list[list[Any]] = []
        self.heap = bytearray()
        self.order: list[bytes] = []
        self.parts: dict[bytes, bytes] = {}

    def node(self, value: Any) -> Any:
        """The value as JSON has it."""
        kind = type(value)
        if kind in _PLAIN:
            return value
        if kind is frozenset and not value:  # whether such are one object or many is the interpreter's business
            return _NOTHING
        if kind is tuple and len(value) < PACKED and all(type(one) in _PLAIN for one in value):
            return ["few", *value]
        name = self._names.get(id(value))
        if name is not None:
            return ["known", name]
        if kind is datetime:
            return ["at", _us(value)]
        number = self._numbers.get(id(value))
        if number is not None:
            return ["=", number]
        self._numbers[id(value)] = len(self._numbers)
        self._held.append(value)
        made = _SHAPES.get(kind)
        return made(self, value) if made else self._object(value, kind)

    def nodes(self, values: Iterable[Any]) -> list[Any]:
        """Each of them."""
        node = self.node
        return [node(value) for value in values]

    def _object(self, value: Any, kind: type) -> Any:
        if isinstance(value, np.generic):
            return ["scalar", self.array(np.asarray(value))]
        if isinstance(value, Enum):
            return ["enum", self._layout(kind, ())[0], value.value]
        if isinstance(value, tuple):
            return ["named", self._layout(kind, ())[0], self.nodes(value)]
        if hasattr(kind, Packs.packed.__name__):
            return ["packed", self._layout(kind, ())[0], self.node(value.packed())]
        place, names = self._layout(
            kind, [one.name for one in fields(value)] if is_dataclass(value) else list(vars(value))
        )
        return [place, *(self.node(getattr(value, name)) for name in names)]

    def _layout(self, kind: type, names: Sequence[str]) -> tuple[int, Sequence[str]]:
        found = self._layouts.get(kind)
        if found is None:
            if kind not in self._allowed:
                raise UnreadableImage(f"{kind.__module__}.{kind.__qualname__} is nothing that an image may hold")
            found = self._layouts[kind] = len(self.layouts), names
            self.layouts.append([self._allowed[kind], list(names)])
        elif list(found[1]) != list(names):
            raise UnreadableImage(f"{kind.__qualname__} has other attributes than another one: {names}")
        return found

    def tuple_(self, value: tuple[Any, ...]) -> Any:
        """Many numbers, or rows of them, as an array."""
        if len(value) >= PACKED:
            first = type(value[0])
            if first is float and all(type(one) is float for one in value):
                return ["floats", self.array(np.array(value))]
            if first is tuple and value[0] and all(_is_row(one, len(value[0])) for one in value):
                return ["rows", self.array(np.array(value))]
        return ["tuple", self.nodes(value)]

    def array(self, value: npt.NDArray[Any]) -> list[Any]:
        """Type, shape, order, and where its bytes are: in the heap or in parts."""
        dtype = value.dtype.str
        if dtype not in _DTYPES:
            raise UnreadableImage(f"an array of {dtype} is nothing that an image may hold")
        order: Literal["C", "F"] = "C" if value.flags.c_contiguous or not value.flags.f_contiguous else "F"
        raw = value.tobytes(order)
        shape = list(value.shape)
        if len(raw) <= SMALL:
            place = len(self.heap)
            self.heap += raw
            return [dtype, shape, order, "heap", place]
        place = len(self.order)
        for start in range(0, len(raw), PART):
            part = raw[start : start + PART]
            name = digest(part)
            if name not in self._have:
                self.parts[name] = part
            self.order.append(name)
        return [dtype, shape, order, "parts", place]


def _is_row(value: Any, length: int) -> bool:
    return type(value) is tuple and len(value) == length and all(type(one) is float for one in value)


def _us(moment: datetime) -> int:
    if moment.tzinfo is not UTC:
        raise UnreadableImage(f"a moment in {moment.tzinfo}: images know UTC alone")
    return to_us(moment)


def _in_order(values: Iterable[Any]) -> list[Any]:
    """A set's order is luck: where its members have one, equal sets are equal images."""
    try:
        return sorted(values)
    except TypeError:
        return list(values)


def _pairs(freezer: _Freezer, value: Mapping[Any, Any]) -> list[Any]:
    return [freezer.nodes(value), freezer.nodes(value.values())]


_SHAPES: dict[type, Callable[[_Freezer, Any], Any]] = {
    list: lambda freezer, value: ["list", freezer.nodes(value)],
    tuple: _Freezer.tuple_,
    dict: lambda freezer, value: ["dict", *_pairs(freezer, value)],
    MappingProxyType: lambda freezer, value: ["proxy", *_pairs(freezer, value)],
    set: lambda freezer, value: ["set", freezer.nodes(_in_order(value))],
    frozenset: lambda freezer, value: ["frozenset", freezer.nodes(_in_order(value))],
    deque: lambda freezer, value: ["deque", value.maxlen, freezer.nodes(value)],
    timedelta: lambda _, value: ["span", value // _MICROSECOND],
    np.ndarray: lambda freezer, value: ["array", freezer.array(value)],
}


class _Thawer:
    def __init__(
        self, image: Image, layouts: Sequence[Any], known: Mapping[str, Any], classes: Mapping[str, type]
    ) -> None:
        self._image, self._known = image, known
        self._layouts = [(classes[name], _setter(classes[name]), names) for name, names in layouts]
        self._objects: list[Any] = []

    def value(self, node: Any) -> Any:
        """What this node stands for."""
        if type(node) is not list:
            return node
        tag = node[0]
        if type(tag) is int:
            return self._object(node)
        if tag == "=":
            return self._objects[node[1]]
        if tag == "at":
            return from_us(node[1])
        if tag == "few":
            return tuple(node[1:])
        if tag == "nothing":
            return frozenset()
        if tag == "known":
            return self._known[node[1]]
        place = len(self._objects)
        self._objects.append(None)
        made = self._made(tag, node, place)
        self._objects[place] = made
        return made

    def _object(self, node: Sequence[Any]) -> Any:
        kind, put, names = self._layouts[node[0]]
        made = object.__new__(kind)
        self._objects.append(made)
        for name, part in zip(names, node[1:], strict=True):
            put(made, name, self.value(part))
        return made

    def _made(self, tag: str, node: Sequence[Any], place: int) -> Any:
        match tag:
            case "tuple" | "set" | "frozenset":
                return _COLLECTED[tag](self._values(node[1]))
            case "floats":
                return tuple(self._array(node[1]).tolist())
            case "rows":
                return tuple(map(tuple, self._array(node[1]).tolist()))
            case "array":
                return self._array(node[1])
            case "scalar":
                return self._array(node[1])[()]
            case "span":
                return node[1] * _MICROSECOND
            case "proxy":
                return MappingProxyType(dict(self._pairs(node)))
            case "enum":
                return self._layouts[node[1]][0](node[2])
            case "named":
                return tuple.__new__(self._layouts[node[1]][0], self._values(node[2]))
        return self._changing(tag, node, place)

    def _changing(self, tag: str, node: Sequence[Any], place: int) -> Any:
        """What may hold itself is there before what it holds."""
        made: Any
        match tag:
            case "list":
                self._objects[place] = made = []
                made += self._values(node[1])
            case "dict":
                self._objects[place] = made = {}
                made.update(self._pairs(node))
            case "deque":
                self._objects[place] = made = deque(maxlen=node[1])
                made += self._values(node[2])
            case "packed":
                self._objects[place] = made = object.__new__(self._layouts[node[1]][0])
                made.unpack(self.value(node[2]))
            case _:
                raise UnreadableImage(f"no image of this drymon: it has {tag!r}")
        return made

    def _values(self, nodes: Sequence[Any]) -> list[Any]:
        value = self.value
        return [value(node) for node in nodes]

    def _pairs(self, node: Sequence[Any]) -> Iterable[tuple[Any, Any]]:
        keys = self._values(node[1])
        return zip(keys, self._values(node[2]), strict=True)

    def _array(self, node: Sequence[Any]) -> npt.NDArray[Any]:
        dtype, shape, order, where, place = node
        if dtype not in _DTYPES:
            raise UnreadableImage(f"no image of this drymon: it has an array of {dtype!r}")
        size = _DTYPES[dtype] * prod(shape)
        if where == "heap":
            raw = bytearray(self._image.heap[place : place + size])
        else:
            names = self._image.order[place : place + -(-size // PART)]
            raw = bytearray().join(self._image.parts[name] for name in names)
        return np.frombuffer(raw, dtype).reshape(shape, order=order)


def _setter(kind: type) -> Callable[[Any, str, Any], None]:
    """Frozen ones refuse to be changed; this is how they are made."""
    return object.__setattr__
