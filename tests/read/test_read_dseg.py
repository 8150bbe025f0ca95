"""Seven-segment digits that others drew: the DSEG fonts, read one picture at a time with only the mask given."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from dseg import FACES, FAMILIES, POLARITIES, Polarity, draw_samples, font_file

from frametally.read import read_display

# Outside source: the DSEG font family, version 0.46, SIL Open Font Licence 1.1 (Debian package fonts-dseg).
EACH = 36
"""Numbers for each of four kinds, six in every face: 144 in all, and none of them may be wrong."""


@pytest.mark.parametrize("polarity", POLARITIES)
@pytest.mark.parametrize("family", FAMILIES)
def test_numbers_in_others_digits_are_read(family: str, polarity: Polarity, require: Callable[[str | Path, str], Path]) -> None:
    for face in FACES:
        require(font_file(family, face), "it takes the Debian package fonts-dseg")
    random = np.random.default_rng([60, FAMILIES.index(family), POLARITIES.index(polarity)])

    wrong = []
    for sample in draw_samples(EACH, family, polarity, random):
        reading = read_display(sample.image, digits=sample.mask, corners=sample.corners)
        if reading.text != sample.text:
            wrong.append((sample.font, sample.mask, sample.text, reading.text, round(reading.confidence, 4)))

    assert wrong == []
