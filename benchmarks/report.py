"""Takes a section's title and text; puts it in its place in the results file, or prints it where there is none."""

from __future__ import annotations

import re
from importlib.metadata import version
from pathlib import Path

import cv2
import numpy as np

HEADING = """# Benchmark results

Made by the scripts in `benchmarks/`; run them again after a change to reading, and keep what they give. Beside every time stands
its ratio to something measured in the same run, which means the same on any machine; milliseconds are those of the machine it
ran on.
"""


def write_section(out: Path | None, title: str, text: str) -> None:
    """Replace the section of this title, or add it at the end."""
    made_with = f"frametally {version('frametally')}, OpenCV {cv2.__version__}, numpy {np.__version__}"
    section = f"## {title}\n\n{text}\n\nMade with {made_with}.\n"
    if out is None:
        print(section)
        return
    known = out.read_text(encoding="utf-8") if out.exists() else ""
    before = HEADING + "".join(known.partition("\n## ")[1:])
    pattern = re.compile(rf"^## {re.escape(title)}\n.*?(?=^## |\Z)", re.MULTILINE | re.DOTALL)
    added = before.rstrip("\n") + "\n\n" + section
    after = pattern.sub(lambda _: section + "\n", before) if pattern.search(before) else added
    out.write_text(after.rstrip("\n") + "\n", encoding="utf-8")
