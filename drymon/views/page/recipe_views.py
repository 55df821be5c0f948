"""Recipes: what is to be said of the shop's own, and the coats that a piece asks for."""

from typing import Any

from flask import Flask, request

from drymon.errors import LearningError
from drymon.messages.typed import metal_of
from drymon.shop.facts.stack import Metal, Piece, remarks, reminders, suggest
from drymon.views.page.page_context import PageContext
from drymon.views.recipe_words import in_short, name_of, piece_words, toml


def add(app: Flask, context: PageContext) -> None:
    """Register this view; a form of it changes nothing, so its answers stand in the page's address."""

    @app.get("/recipes")
    def recipes() -> Any:
        room = context.room
        told: dict[str, Any] = {"piece": None, "problem": ""}
        if "metal" in request.args:
            try:
                told = _suggested(context, piece_of(request.args))
            except (LearningError, ValueError) as error:
                told["problem"] = str(error)
        checked = [(recipe, in_short(recipe), remarks(room, recipe)) for recipe in room.recipes]
        return context.render("recipes.html", metals=list(Metal), asked=request.args, checked=checked, **told)


def piece_of(form: Any) -> Piece:
    """What the form asks about. LearningError or ValueError says what is allowed."""
    weight = form.get("weight", "").strip()
    kg = metal_of(f"{weight} {form.get('unit', 'kg')}") if weight else None
    signs = (form.get(name) == "yes" for name in ("detail", "sharp", "heavy", "slurry"))
    return Piece(_metal(form["metal"]), kg, *signs)


def _metal(text: str) -> Metal:
    if text not in set(Metal):
        raise ValueError(f"metal: received {text[:20]!r}; allowed are {', '.join(Metal)}")
    return Metal(text)


def _suggested(context: PageContext, piece: Piece) -> dict[str, Any]:
    layers = suggest(piece)
    labels = {kind.name: kind.label or kind.name for kind in context.room.coats}
    rows = [(labels.get(name := name_of(layer, context.room), name), layer) for layer in layers]
    return {
        "piece": piece_words(piece),
        "problem": "",
        "rows": rows,
        "reminders": reminders(piece),
        "toml": toml(layers, context.room, "new"),
    }
