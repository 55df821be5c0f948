"""Recipes in words: a suggestion with its reasons and the lines for room.toml; what speaks against one. Pure."""

from collections.abc import Iterator, Sequence
from itertools import groupby

from drymon.shop.facts.setup import Recipe, RoomSetup
from drymon.shop.facts.stack import Layer, Piece, coat_for, remarks, reminders

FOOT = (
    "Common practice, no source: your own way always wins. Ready to redip is never ready to dewax or pour: follow your "
    "local rules."
)
USUAL_NAMES = {
    ("prime", (80, 120)): "prime-first",
    ("prime", (50, 100)): "prime-fine",
    ("prime", ()): "slurry-only-first",
    ("backup", (30, 50)): "backup",
    ("seal", ()): "seal",
}
"""What `drymon init` calls such coats."""


def suggestion_text(layers: Sequence[Layer], piece: Piece, room: RoomSetup, name: str) -> str:
    """The stack coat by coat, reminders, and what to write into room.toml."""
    lines = [f"{len(layers)} coats for {piece_words(piece)}", ""]
    lines += [
        f"  {number:>2}  {name_of(layer, room):<18} {layer.stucco:<20} {layer.why}"
        for number, layer in enumerate(layers, 1)
    ]
    lines += ["", *(f"- {one}" for one in reminders(piece)), "", "For room.toml:", "", *_toml(layers, room, name), ""]
    return "\n".join([*lines, FOOT]) + "\n"


def piece_words(piece: Piece) -> str:
    """`iron, 18 kg, fine detail, sharp edges`."""
    words = [piece.metal.value]
    words += [] if piece.metal_kg is None else [f"{piece.metal_kg:.3g} kg"]
    words += ["fine detail" if piece.detail else "plain faces"]
    told = (
        (piece.sharp_edges, "sharp edges"),
        (piece.heavy_parts, "heavy parts"),
        (piece.slurry_first, "slurry first"),
    )
    return ", ".join([*words, *(word for true, word in told if true)])


def name_of(layer: Layer, room: RoomSetup) -> str:
    """The shop's own name for such a coat, else the usual one, or one with its stucco where that is another coat."""
    kind = coat_for(room, layer)
    if kind is not None:
        return kind.name
    usual = USUAL_NAMES[layer.family, layer.mesh]
    return f"{usual}-{'x'.join(map(str, layer.mesh)) or 'bare'}" if usual in room.coat_by_name else usual


def toml(layers: Sequence[Layer], room: RoomSetup, name: str) -> str:
    """The lines for room.toml."""
    return "\n".join(_toml(layers, room, name)) + "\n"


def _toml(layers: Sequence[Layer], room: RoomSetup, name: str) -> Iterator[str]:
    missing = {name_of(layer, room): layer for layer in layers if coat_for(room, layer) is None}
    for coat, layer in missing.items():
        yield from (
            "[[coat]]",
            f'name = "{coat}"',
            f'family = "{layer.family}"',
            f"stucco_mesh = {list(layer.mesh)}",
            "",
        )
    coats = ", ".join(f'"{name_of(layer, room)}"' for layer in layers)
    yield from ("[[recipe]]", f'name = "{name}"', f"coats = [{coats}]")


def check_text(room: RoomSetup, recipes: Sequence[Recipe]) -> str:
    """Each recipe with what is to be said of it."""
    lines: list[str] = []
    for recipe in recipes:
        label = f" ({recipe.label})" if recipe.label else ""
        lines += [f"{recipe.name}{label}: {len(recipe.coats)} coats, {in_short(recipe)}"]
        lines += [f"  - {one}" for one in remarks(room, recipe)] or ["  - nothing to remark"]
    return "\n".join([*lines, "", FOOT]) + "\n"


def in_short(recipe: Recipe) -> str:
    """`prime-first, prime-fine, 6 x backup, seal`."""
    runs = [(name, len(list(each))) for name, each in groupby(recipe.coats)]
    return ", ".join(name if count == 1 else f"{count} x {name}" for name, count in runs)
