"""Words on a picture: at a place, on a quiet ground; and labels that do not sit on each other."""

from dataclasses import dataclass, field
from functools import lru_cache
from typing import Literal

from matplotlib.axes import Axes
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath

from drymon.views.plots.style import INK, PAPER

DATA, TOP, BESIDE = ("data", "data"), ("data", "axes fraction"), ("axes fraction", "data")
"""What a place is counted in: time and value; time and share of the height; share of the width and value."""

LETTER = 0.0068
"""Width of a small letter as a share of a panel's width."""


@lru_cache(maxsize=1000)
def inches(words: str, size: float, bold: bool = False) -> float:
    """How wide words are on paper, in the typeface of every picture."""
    face = FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal")
    return (
        max((float(TextPath((0, 0), line, size, prop=face).get_extents().x1) for line in words.split("\n")), default=0)
        / 72
    )


def in_two(name: str, longest: int) -> str:
    """A name on one line, or, if longer than so many letters, on two: parted after a hyphen near its middle, if any."""
    if len(name) <= longest:
        return name
    half = len(name) / 2
    places = [
        place + 1 for place, letter in enumerate(name[:-1]) if letter in "- " and abs(place + 1 - half) < half / 2
    ]
    at = min(places, key=lambda place: abs(place - half), default=round(half))
    return f"{name[:at].rstrip()}\n{name[at:]}"


def note(  # noqa: PLR0913, by keyword: how words are set
    axes: Axes,
    words: str,
    at: tuple[float, float],
    shift: tuple[float, float] = (0, 0),
    *,
    counted: tuple[str, str] = DATA,
    size: float = 8.0,
    color: str = INK,
    ha: Literal["left", "center", "right"] = "left",
    va: Literal["top", "center", "bottom"] = "center",
    bold: bool = False,
    ground: bool = False,
    clip: bool = False,
) -> None:
    """Write `words` at `at`, moved by `shift` points; `ground`: on white, where lines run beneath."""
    under = {"facecolor": PAPER, "edgecolor": "none", "pad": 1.0, "alpha": 0.85} if ground else None
    axes.annotate(
        words, at, shift, xycoords=counted, textcoords="offset points", fontsize=size, color=color, ha=ha, va=va,
        fontweight="bold" if bold else "normal", bbox=under, annotation_clip=clip, clip_on=clip, zorder=6,
    )  # fmt: skip


@dataclass
class Shelf:
    """Labels beside the right edge, at least `gap` (share of the height) apart."""

    axes: Axes
    gap: float
    labels: list[tuple[float, str, str, bool]] = field(default_factory=list)

    def put(self, height: float, text: str, color: str, bold: bool = False) -> None:
        """Ask for a label at `height`, in the panel's data units."""
        self.labels.append((height, text, color, bold))

    def draw(self) -> None:
        """Write the labels, top down, inside the panel."""
        bottom, top = self.axes.get_ylim()
        ordered = sorted(self.labels, key=lambda label: -label[0])
        heights: list[float] = []
        for label in ordered:
            heights.append(min(label[0], heights[-1] - self.gap * (top - bottom) if heights else top))
        # What was pushed out below comes back up as a whole.
        lift = max(0.0, bottom - min(heights, default=bottom))
        for height, (_, text, color, bold) in zip(heights, ordered, strict=True):
            note(
                self.axes,
                text,
                (1.0, height + lift),
                (7, 0),
                counted=BESIDE,
                size=8.5,
                color=color,
                bold=bold,
            )
