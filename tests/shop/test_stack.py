"""Stacks suggested for pieces, and remarks on recipes. The rules are the trade's (common practice, no source): three
prime coats for detail, six backup coats, a seal; zircon first, twice for iron; then 50x100, then 30x50.
"""

from itertools import pairwise, product

import pytest

from drymon.drying.sieves import opening_um
from drymon.shop.facts.setup import CoatType, Recipe, RoomSetup
from drymon.shop.facts.stack import Metal, Piece, coat_for, remarks, reminders, suggest

COATS = (
    CoatType("zircon", "prime", stucco_mesh=(80, 120)),
    CoatType("fine", "prime", stucco_mesh=(50, 100)),
    CoatType("bare", "prime", stucco_mesh=()),
    CoatType("rough-face", "prime", stucco_mesh=(30, 50)),
    CoatType("backup", "backup", stucco_mesh=(30, 50)),
    CoatType("gravel", "backup", stucco_mesh=(8, 14)),
    CoatType("seal", "seal", stucco_mesh=()),
)
ROOM = RoomSetup("shop", coats=COATS)
USUAL = ("zircon", "fine", "fine", *("backup",) * 6, "seal")


def names(piece: Piece) -> list[str]:
    found = [coat_for(ROOM, layer) for layer in suggest(piece)]
    return [kind.name for kind in found if kind is not None]


def said(*coats: str) -> str:
    return "; ".join(remarks(ROOM, Recipe("r", coats)))


def test_the_usual_stack_is_that_of_the_trade() -> None:
    assert names(Piece(Metal.BRONZE, 10.0)) == list(USUAL)
    assert names(Piece(Metal.ALUMINIUM)) == list(USUAL)


def test_iron_gets_two_zircon_coats() -> None:
    assert names(Piece(Metal.IRON))[:4] == ["zircon", "zircon", "fine", "backup"]
    assert names(Piece(Metal.IRON, detail=False))[:4] == ["zircon", "zircon", "fine", "backup"]


def test_plain_faces_need_one_coat_of_each_grade() -> None:
    assert names(Piece(Metal.BRONZE, detail=False))[:3] == ["zircon", "fine", "backup"]


@pytest.mark.parametrize(
    ("pounds", "backups"), [(5, 6), (20, 6), (24.9, 6), (26, 7), (49, 7), (51, 8), (124, 10), (1000, 10)]
)
def test_heavier_pieces_get_more_backup_coats_up_to_ten(pounds: float, backups: int) -> None:
    """1 lb is 0.45359237 kg by the international agreement of 1959."""
    piece = Piece(Metal.BRONZE, 0.45359237 * pounds)
    assert names(piece).count("backup") == backups
    assert any("ask somebody" in one for one in reminders(piece)) == (pounds > 125)


def test_sharp_edges_get_one_more_and_heavy_parts_dips_of_their_own() -> None:
    assert names(Piece(Metal.BRONZE, sharp_edges=True)).count("backup") == 7
    assert any("dip them alone" in one for one in reminders(Piece(Metal.BRONZE, heavy_parts=True)))
    plain = reminders(Piece(Metal.BRONZE))
    assert any("respirator" in one for one in plain)
    for unasked in ("Heavy parts", "Sharp edges", "So much metal"):
        assert not any(unasked in one for one in plain)
    assert any("brush slurry along them" in one for one in reminders(Piece(Metal.BRONZE, sharp_edges=True)))
    assert reminders(Piece(Metal.BRONZE, 56.5)) == plain, "five times 25 lb"


def test_each_coat_says_what_is_strewn_and_why_it_is_there() -> None:
    layers = suggest(Piece(Metal.BRONZE))
    assert [layer.stucco for layer in (layers[0], layers[1], layers[3], layers[-1])] == [
        "zircon sand 80x120", "fused silica 50x100", "fused silica 30x50", "no stucco",
    ]  # fmt: skip
    assert [layer.why.split(":")[0] for layer in layers[1:3]] == [
        "the step from zircon to coarse stucco",
        "fine detail",
    ]


def test_bare_slurry_comes_first_with_its_risk() -> None:
    first, *_ = suggest(Piece(Metal.BRONZE, slurry_first=True))
    assert (first.mesh, "craze or lift" in first.why) == ((), True)
    assert names(Piece(Metal.IRON, slurry_first=True))[:4] == ["bare", "zircon", "zircon", "fine"]


def test_whatever_is_asked_no_grade_is_skipped_and_every_coat_has_a_reason() -> None:
    """By the openings of ASTM E11: each coarse end is at least the next grade's fine end."""
    for metal, kg, *signs in product(Metal, (None, 8.0, 90.0), *[(False, True)] * 4):
        layers = suggest(Piece(metal, kg, *signs))
        ends = [sorted(map(opening_um, layer.mesh)) for layer in layers if layer.mesh]
        assert all(after[0] <= 1.5 * before[1] for before, after in pairwise(ends))
        assert all(after[1] >= before[1] for before, after in pairwise(ends))
        assert [layer.family for layer in layers].count("seal") == 1
        assert layers[-1].family == "seal"
        assert all(layer.why for layer in layers)


def test_of_the_usual_recipe_only_what_iron_asks_is_remarked() -> None:
    assert said(*USUAL) == "one zircon coat: enough for bronze and aluminium; iron asks for two"
    assert said("zircon", *USUAL) == ""


@pytest.mark.parametrize(
    ("coats", "words"),
    [
        (
            ("zircon", "zircon", "fine", "gravel", *("backup",) * 5, "seal"),
            "coat 4 (gravel): stucco 8x14 begins at 1400",
        ),
        (
            ("zircon", "zircon", "backup", "fine", *("backup",) * 5, "seal"),
            "coat 4 (fine): a finer stucco on a coarser",
        ),
        (
            ("zircon", "zircon", "backup", "fine", *("backup",) * 5, "seal"),
            "coat 4 (fine): a prime coat on a backup coat",
        ),
        (USUAL[:-1], "no seal coat"),
        ((*USUAL[:5], "seal"), "2 backup coats: six are usual"),
        (("zircon", *USUAL[3:]), "1 prime coat: three are usual"),
        (USUAL[3:], "no prime coat"),
        (("bare", *USUAL), "may craze or lift"),
        (("rough-face", *USUAL[1:]), "the first stucco is coarse (600 um)"),
    ],
)
def test_what_is_unusual_is_said_with_the_coat(coats: tuple[str, ...], words: str) -> None:
    assert words in said(*coats)


def test_bare_slurry_first_is_not_called_coarse() -> None:
    assert "coarse (" not in said("bare", "fine", "fine", *USUAL[3:])


def test_a_shop_without_such_a_coat_has_none() -> None:
    layer = suggest(Piece(Metal.IRON))[0]
    assert coat_for(RoomSetup("shop", coats=(CoatType("x", "prime", stucco_mesh=(30, 50)),)), layer) is None


def test_a_coat_that_tells_no_stucco_stands_for_its_family_where_none_tells_it() -> None:
    layer = suggest(Piece(Metal.IRON))[0]
    untold = CoatType("face", "prime")
    assert coat_for(RoomSetup("shop", coats=(untold,)), layer) == untold
    assert coat_for(RoomSetup("shop", coats=(untold, COATS[0])), layer) == COATS[0]
