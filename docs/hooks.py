"""Takes a page of the documentation while it is built; gives it with the figures that the benchmark scripts wrote."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

MARK = "<!-- benchmarks/RESULTS.md -->"
"""Where the figures go."""

RESULTS = Path(__file__).resolve().parent.parent / "benchmarks" / "RESULTS.md"


def on_page_markdown(markdown: str, **_: Any) -> str:
    """Put the benchmarks' results where the mark stands, without their title; their pictures stay in the repository."""
    if MARK not in markdown:
        return markdown
    figures = RESULTS.read_text(encoding="utf-8").split("\n", 1)[1]
    figures = re.sub(r"!\[([^\]]*)\]\([^)]*\)", r"*(A picture, in the repository: \1.)*", figures)
    return markdown.replace(MARK, figures)
