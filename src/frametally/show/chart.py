"""Gives what a drawn chart is to the rest: its picture in each form, what it says in words, and where its axes lie."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from frametally.show import look
from frametally.show.files import write_whole


@dataclass(frozen=True)
class Place:
    """Where a chart's axes lie in its picture, from the top left [pt], and what they span: minutes, and the chart's unit."""

    width: float
    height: float
    left: float
    top: float
    right: float
    bottom: float
    first: float
    last: float
    low: float
    high: float


@dataclass(frozen=True)
class Chart:
    """A drawn chart: `description` says in words what it shows; `beyond` names the limits outside the drawn range."""

    title: str
    figure: Figure
    description: str
    beyond: tuple[str, ...] = ()
    place: Place | None = None

    def svg(self, name: str) -> str:
        """Give the chart as `<svg>` text to stand in a page; `name` is unique on that page."""
        return look.to_svg(self.figure, name, self.title, self.description)

    def save(self, path: Path) -> None:
        """Write the chart as a PNG, SVG or PDF file, by the ending of `path`: same chart, same bytes."""
        write_whole(path, look.to_standalone(self.figure, path.suffix[1:], self.title))

    def save_png(self, path: Path, dpi: int = 150) -> None:
        """Write the chart as a PNG file."""
        write_whole(path, look.to_png(self.figure, dpi))


def find_plot(plot: Axes) -> Place:
    """Give where a chart's axes lie in its figure."""
    figure = plot.get_figure(root=True)
    if figure is None:
        raise ValueError("axes without a figure have no place")
    width, height = (float(72 * side) for side in figure.get_size_inches())
    box, (first, last), (low, high) = plot.get_position(), plot.get_xlim(), plot.get_ylim()
    top, bottom = (height * (1 - float(y)) for y in (box.y1, box.y0))
    return Place(width, height, width * float(box.x0), top, width * float(box.x1), bottom, first, last, low, high)
