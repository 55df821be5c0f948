"""What recipes say of a tree: which is meant, and which coats are to come."""

from drymon.shop.facts.setup import RoomSetup


def guess_recipe(setup: RoomSetup, number: int, coat_name: str) -> str:
    """The recipe meant where a dip names none: the first that has this coat at this number, "" where none has."""
    for recipe in setup.recipes:
        if len(recipe.coats) >= number and recipe.coats[number - 1] == coat_name:
            return recipe.name
    return setup.recipes[0].name if len(setup.recipes) == 1 else ""


def coming(setup: RoomSetup, recipe: str, number: int) -> list[tuple[int, str]]:
    """Numbers and names of the coats after this one; none after the last, and where no such recipe is known."""
    known = setup.recipe_by_name.get(recipe)
    return list(enumerate(known.coats, 1))[number:] if known is not None else []


def next_coat(setup: RoomSetup, recipe: str, number: int) -> str | None:
    """The recipe's next coat, None after the last and where no recipe is known."""
    left = coming(setup, recipe, number)
    return left[0][1] if left else None
