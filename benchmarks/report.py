"""Takes a section's title and text; puts it in its place in the results file, or prints it where there is none."""

from __future__ import annotations

import re
from importlib.metadata import version
from pathlib import Path

import cv2
import numpy as np

HEADING = """# Benchmark results

Made by `benchmarks/accuracy.py` and `benchmarks/speed.py`; run them again after a change to reading, and keep what they give.
Counts and ratios only: times are against something measured in the same run, so that they mean the same on any machine.
"""


def write_section(out: Path | None, title: str, text: str) -> None:
    """Replace the section of this title, or add it at the end."""
    made_with = f"frametally {version('frametally')}, OpenCV {cv2.__version__}, numpy {np.__version__}"
    section = f"## {title}\n\n{text}\n\nMade with {made_with}.\n"
    if out is None:
        print(section)
        return
    before = out.read_text(encoding="utf-8") if out.exists() else HEADING
    pattern = re.compile(rf"^## {re.escape(title)}\n.*?(?=^## |\Z)", re.MULTILINE | re.DOTALL)
    added = before.rstrip("\n") + "\n\n" + section
    after = pattern.sub(lambda _: section + "\n", before) if pattern.search(before) else added
    out.write_text(after.rstrip("\n") + "\n", encoding="utf-8")
