"""Takes the entries of a legend and puts them on top of a figure in as many columns as fit."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from matplotlib.figure import Figure

from frametally.show import look


def place_legend(figure: Figure, renderer: Any, entries: Sequence[tuple[Any, str]], width_pt: float) -> float:
    """Draw a legend of (handle, text); give its height with a little room below it. [pt]

    The caller moves it to its place once the figure's height is known.
    """
    height = 0.0
    for columns in range(len(entries), 0, -1):
        for old in list(figure.legends):
            old.remove()
        legend = figure.legend(
            [handle for handle, _ in entries], [str(i) for i in range(len(entries))], loc="upper left", ncols=columns,
            frameon=False, fontsize=look.SIZE, borderpad=0, borderaxespad=0, handlelength=2.6, columnspacing=1.4,
            labelspacing=0.35,
        )  # fmt: skip
        for written, (_, text) in zip(legend.get_texts(), entries, strict=True):
            written.set_text(text)  # here, for matplotlib leaves out labels that begin with "_"
        box = legend.get_window_extent(renderer)
        height = float(box.height) * 72 / figure.dpi + 4
        if box.width * 72 / figure.dpi <= width_pt:
            break
    return height
