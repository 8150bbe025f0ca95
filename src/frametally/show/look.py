"""Gives the colours, markers and type of every chart, and turns a drawn figure into SVG text or PNG bytes.

The colours of lines keep apart for the usual kinds of colour blindness (blue, vermilion, green, purple: the order of the
palette of Okabe and Ito, 2008, from memory, darkened for 4.5:1 on white); shape and dash tell the lines apart as well.
In SVG each colour is a CSS variable with its light value behind it, so that the page can show charts dark on light or
light on dark.
"""

from __future__ import annotations

import io
import re
import threading
import warnings
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from html import escape

import matplotlib
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

INK, MUTED, GRID, GAP, PAPER, LIMIT = "#1d2830", "#55636e", "#dbe1e5", "#edf0f2", "#fffffe", "#8f2d3c"
SERIES = ("#005a8c", "#b34700", "#00694f", "#86378a")
MARKERS = ("o", "s", "D", "P")
DASHES: tuple[tuple[int, tuple[float, ...]], ...] = ((0, ()), (0, (7, 1.6)), (0, (9, 1.5, 2, 1.5)), (0, (4, 1.2)))

CSS_NAMES = {
    INK: "ink", MUTED: "muted", GRID: "grid", GAP: "gap", PAPER: "paper", LIMIT: "limit",
    **{colour: f"line-{number}" for number, colour in enumerate(SERIES, start=1)},
}  # fmt: skip
"""What the style sheet calls each colour: `--ink`, `--line-1` and so on."""

SIZE = 8.5
SMALL = 7.5

_SETTINGS = {
    "svg.fonttype": "none", "svg.hashsalt": "frametally", "font.family": "DejaVu Sans", "font.size": SIZE,
    "text.color": INK, "axes.edgecolor": MUTED, "axes.labelcolor": INK, "xtick.color": MUTED, "ytick.color": MUTED,
    "axes.facecolor": "none", "figure.facecolor": PAPER, "axes.linewidth": 0.8, "lines.solid_capstyle": "round",
    "xtick.labelcolor": INK, "ytick.labelcolor": INK, "text.parse_math": False, "axes.unicode_minus": True,
    "text.hinting": "no_hinting",  # else texts are measured narrower than they are drawn
}  # fmt: skip

_settings_lock = threading.Lock()
"""matplotlib's settings belong to the whole process: one chart at a time."""


@contextmanager
def our_settings() -> Iterator[None]:
    """Draw with our settings, whatever the user's own matplotlib file says, and leave theirs as they were."""
    with _settings_lock, matplotlib.rc_context(), warnings.catch_warnings():
        # a sign that the measuring font lacks is measured as a box and drawn by the reader's own fonts
        warnings.filterwarnings("ignore", message="Glyph .* missing")
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(_SETTINGS)
        yield


def to_svg(figure: Figure, name: str, title: str, description: str) -> str:
    """Give a figure as `<svg>` text to stand in a page: same figure, same text; `name` keeps its ids apart from others'.

    Read aloud, it is a picture with a title and a description.
    """
    text = io.StringIO()
    with our_settings():
        figure.savefig(text, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    svg = text.getvalue()
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = re.sub(r"\s*<defs>\s*<style[^>]*>[^<]*</style>\s*</defs>", "", svg)
    svg = re.sub(r"font-family: [^;\"]*(; )?", "", svg).replace("xlink:href=", "href=")
    svg = _numbered_ids(re.sub(r'\bid="', f'id="{name}-', svg))
    svg = re.sub(r'href="#', f'href="#{name}-', svg).replace("url(#", f"url(#{name}-")
    svg = re.sub(r' transform="rotate\(-?0 [^)]*\)"', "", svg)
    for colour, css_name in CSS_NAMES.items():
        svg = svg.replace(colour, f"var(--{css_name}, {colour})")
    width, height = (72 * side for side in figure.get_size_inches())
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" role="img" '
        f'aria-labelledby="{name}-title {name}-description" font-family="system-ui, sans-serif" '
        f'stroke-linejoin="round"><title id="{name}-title">{escape(title)}</title>'
        f'<desc id="{name}-description">{escape(description)}</desc>'
    )
    return head + svg[svg.index(">") + 1 :].strip() + "\n"


def _numbered_ids(svg: str) -> str:
    """Number ids that stand more than once, from the second on: limit, limit-2, limit-3."""
    seen: Counter[str] = Counter()

    def number(match: re.Match[str]) -> str:
        seen[match[1]] += 1
        return match[0] if seen[match[1]] == 1 else f'id="{match[1]}-{seen[match[1]]}"'

    return re.sub(r'\bid="([^"]+)"', number, svg)


def thin_path(figure: Figure, xs: Sequence[float], ys: Sequence[float], colour: str) -> Line2D:
    """Give a thin line through places of the figure (shares of its width and height)."""
    return Line2D(list(xs), list(ys), color=colour, lw=0.7, transform=figure.transFigure, zorder=5)


def to_standalone(figure: Figure, kind: str, title: str, dpi: int = 200) -> bytes:
    """Give a figure as the bytes of a "png", "svg" or "pdf" file: same figure, same bytes; letters as outlines in SVG."""
    data = io.BytesIO()
    metadata: dict[str, dict[str, str | None]] = {
        "png": {"Software": None, "Title": title},
        "svg": {"Date": None, "Creator": None, "Title": title},
        "pdf": {"CreationDate": None, "ModDate": None, "Creator": None, "Producer": None, "Title": title},
    }
    with our_settings():
        matplotlib.rcParams.update({"svg.fonttype": "path", "pdf.fonttype": 42})
        figure.savefig(data, format=kind, dpi=dpi, metadata=metadata[kind])
    return _numbered_ids(data.getvalue().decode()).encode() if kind == "svg" else data.getvalue()


def to_png(figure: Figure, dpi: int = 150) -> bytes:
    """Give a figure as the bytes of a PNG file, light, at `dpi` dots per inch."""
    data = io.BytesIO()
    with our_settings():
        figure.savefig(data, format="png", dpi=dpi, metadata={"Software": None})
    return data.getvalue()
