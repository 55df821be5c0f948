"""Single small faults that could stand in a module's text: one change each, found in its syntax tree. Pure."""

import ast
import copy
import hashlib
from collections.abc import Iterator
from dataclasses import dataclass

Swaps = dict[type[ast.AST], tuple[type[ast.AST], ...]]

COMPARED: Swaps = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
COUNTED: Swaps = {
    ast.Add: (ast.Sub,),
    ast.Sub: (ast.Add,),
    ast.Mult: (ast.Div,),
    ast.Div: (ast.Mult,),
    ast.FloorDiv: (ast.Div,),
    ast.Mod: (ast.Mult,),
    ast.Pow: (ast.Mult,),
}
CALLED = {"min": "max", "max": "min", "any": "all", "all": "any", "floor": "ceil", "ceil": "floor"}
LEFT_OUT = {"strict", "slots", "frozen"}
"""Keywords that guard the programmer, not the shell."""


TOLERANCE = 1e-6
"""Numbers up to it are allowances for rounding: a quarter more of them is the same."""


@dataclass(frozen=True)
class Mutant:
    """A module with one fault. `id` stays while the function around it does, wherever that stands."""

    id: str
    module: str
    line: int
    function: str
    old: str
    new: str
    text: str


@dataclass(frozen=True)
class Place:
    """Where a walk stands: the function's name, and the piece of text that says what the fault belongs to."""

    function: str
    around: ast.AST


class Source:
    """A module's text, by the positions of its syntax tree, which count in bytes."""

    def __init__(self, text: str) -> None:
        self._bytes = text.encode()
        self._starts = [0]
        for line in self._bytes.splitlines(keepends=True):
            self._starts.append(self._starts[-1] + len(line))

    def of(self, node: ast.AST) -> str:
        if not isinstance(node, ast.stmt | ast.expr):
            return ""
        start, end = self._span(node)
        return self._bytes[start:end].decode()

    def put(self, node: ast.stmt | ast.expr, new: str) -> str:
        """The whole text with that of a node replaced."""
        start, end = self._span(node)
        return (self._bytes[:start] + new.encode() + self._bytes[end:]).decode()

    def _span(self, node: ast.stmt | ast.expr) -> tuple[int, int]:
        assert node.end_lineno is not None
        assert node.end_col_offset is not None
        return self._starts[node.lineno - 1] + node.col_offset, self._starts[node.end_lineno - 1] + node.end_col_offset


def mutants(module: str, text: str) -> list[Mutant]:
    """All of a module, in order."""
    source = Source(text)
    made = []
    seen: dict[str, int] = {}
    for place, node, new in _changes(ast.parse(text), Place("", ast.Module([], []))):
        old = source.of(node)
        key = "\0".join([module, place.function, source.of(place.around), old, new])
        seen[key] = seen.get(key, 0) + 1
        number = hashlib.sha256(f"{key}\0{seen[key]}".encode()).hexdigest()[:16]
        told = (node.lineno, place.function, _one_line(old), _one_line(new))
        made.append(Mutant(number, module, *told, source.put(node, new)))
    return made


def _changes(node: ast.AST, place: Place) -> Iterator[tuple[Place, ast.stmt | ast.expr, str]]:
    """Every change within a node: where, of what, its new text."""
    if isinstance(node, ast.stmt | ast.expr):
        for new in _of(node):
            yield place, node, new
    if isinstance(node, ast.If | ast.While | ast.IfExp) and _is_plain(node.test):
        yield place, node.test, f"(not {ast.unparse(node.test)})"
    for child in _inner(node):
        yield from _changes(child, _place(place, child))


def _place(place: Place, child: ast.AST) -> Place:
    if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
        return Place(f"{place.function}.{child.name}".lstrip("."), child)
    if not place.function and isinstance(child, ast.stmt):
        return Place("", child)
    return place


def _inner(node: ast.AST) -> Iterator[ast.AST]:
    """What of a node can carry a fault: no decorators, types or texts."""
    for name, value in ast.iter_fields(node):
        if name in ("decorator_list", "annotation", "returns", "type_params", "bases"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST) and not _is_left_out(child):
                yield child


def _is_left_out(node: ast.AST) -> bool:
    match node:
        case ast.JoinedStr() | ast.Import() | ast.ImportFrom() | ast.Assert():
            return True
        case ast.keyword(arg=name):
            return name in LEFT_OUT
        case ast.If(test=ast.Name("TYPE_CHECKING")):
            return True
        case ast.Assign(value=ast.BinOp(op=ast.BitOr())) | ast.Assign(value=ast.Subscript(value=ast.Name("dict"))):
            return True
    return False


def _of(node: ast.stmt | ast.expr) -> Iterator[str]:
    """The changes of one node itself."""
    match node:
        case ast.Compare():
            yield from _compared(node)
        case ast.BinOp(op=op) if type(op) in COUNTED and not _is_text(node):
            yield from (_with(node, op=swap()) for swap in COUNTED[type(op)])
        case ast.BoolOp(op=op):
            yield _with(node, op=ast.Or() if isinstance(op, ast.And) else ast.And())
        case ast.UnaryOp(op=ast.Not(), operand=operand):
            yield f"({ast.unparse(operand)})"
        case ast.UnaryOp(op=ast.USub(), operand=operand) if not isinstance(operand, ast.Constant):
            yield f"({ast.unparse(operand)})"
        case ast.Constant():
            yield from _of_constant(node)
        case ast.Call(func=ast.Name(id=name)) if name in CALLED:
            yield _with(node, func=ast.Name(CALLED[name]))
        case ast.Call(func=ast.Attribute(attr=name) as func) if name in CALLED:
            yield _with(node, func=ast.Attribute(func.value, CALLED[name]))
        case ast.stmt():
            yield from _of_statement(node)


def _of_constant(node: ast.Constant) -> Iterator[str]:
    match node.value:
        case bool(value):
            yield str(not value)
        case int(value):
            yield str(value + 1)
        case float(value) if not 0.0 < abs(value) <= TOLERANCE:
            yield f"{value * 1.25:.12g}" if value else "1.0"


def _of_statement(node: ast.stmt) -> Iterator[str]:
    match node:
        case ast.Expr(value=ast.Call()) | ast.Expr(value=ast.Await()) | ast.Raise(exc=ast.expr()):
            yield "pass"
        case ast.AugAssign(op=op) if type(op) in COUNTED:
            yield from (_with(node, op=swap()) for swap in COUNTED[type(op)])
        case ast.Return(value=value) if value is not None and not isinstance(value, ast.Constant):
            yield "return None"
        case ast.Continue():
            yield "break"
        case ast.Break():
            yield "continue"


def _compared(node: ast.Compare) -> Iterator[str]:
    for at, op in enumerate(node.ops):
        for swap in COMPARED[type(op)]:
            yield f"({_with(node, ops=[*node.ops[:at], swap(), *node.ops[at + 1 :]])})"


def _is_plain(test: ast.expr) -> bool:
    """Whether no other change turns it round."""
    return isinstance(test, ast.Name | ast.Attribute | ast.Call | ast.Subscript)


def _is_text(node: ast.BinOp) -> bool:
    """Whether texts are put together: that fails at once."""
    return any(
        isinstance(side, ast.JoinedStr) or (isinstance(side, ast.Constant) and isinstance(side.value, str))
        for side in (node.left, node.right)
    )


def _with(node: ast.expr | ast.stmt, **fields: object) -> str:
    """The text of a node with other fields; in brackets where it may be part of an expression that binds otherwise."""
    made = copy.copy(node)
    for name, value in fields.items():
        setattr(made, name, value)
    text = ast.unparse(ast.fix_missing_locations(made))
    return f"({text})" if isinstance(node, ast.BinOp | ast.BoolOp) else text


def _one_line(text: str) -> str:
    return " ".join(text.split())
