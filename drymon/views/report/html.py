"""A record as one HTML file that needs nothing else: style and pictures inside, no script."""

import re
from io import StringIO

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from matplotlib.figure import Figure

from drymon.views.plots.style import drawing
from drymon.views.report.document import Document, Drawing

WIDTH = 7.6
"""Inches of a picture; the page scales it to its own width."""

NOTHING_SAID = {"Date": None, "Creator": None, "Format": None, "Type": None}


def html_of(document: Document) -> str:
    """The whole file."""
    environment = Environment(
        loader=PackageLoader("drymon.views.report"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    pictures = [block for block in document.blocks if isinstance(block, Drawing)]
    drawn = {id(block): _svg(block, f"p{number}-") for number, block in enumerate(pictures)}
    kinds = [(type(block).__name__.lower(), block) for block in document.blocks]
    return environment.get_template("report.html").render(document=document, blocks=kinds, svg=lambda b: drawn[id(b)])


def _svg(block: Drawing, prefix: str) -> Markup:
    """The picture as an element of the page; its ids are its own, for a page may hold each id once."""
    with drawing():
        figure = Figure(figsize=(WIDTH, block.height), facecolor="none")
        block.draw(figure, (0.0, 0.0, 1.0, 1.0))
        text = StringIO()
        figure.savefig(text, format="svg", metadata=NOTHING_SAID)
    svg = text.getvalue()
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>|<!--.*?-->|\s+$", "", svg, flags=re.DOTALL | re.MULTILINE)
    svg = re.sub(r'\bid="([^"]+)"', rf'id="{prefix}\1"', svg)
    svg = re.sub(r"url\(#", f"url(#{prefix}", svg)
    svg = re.sub(r'((?:xlink:)?href)="#', rf'\1="#{prefix}', svg)
    svg = re.sub(r' width="[^"]*pt" height="[^"]*pt"', "", svg, count=1)
    # `*` would reach out into the page: the rule belongs to the pictures, and stands in the page's own style.
    svg = re.sub(r"<style type=\"text/css\">\*\{.*?\}</style>", "", svg, flags=re.DOTALL)
    label = Markup.escape(block.words)
    return Markup(svg.replace("<svg ", f'<svg role="img" aria-label="{label}" ', 1))
