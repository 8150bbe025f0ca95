"""Takes what was measured and read of one display; gives the verdict on it, why, and what to change, most effective first."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from frametally.aim.obliquity import Obliquity
from frametally.model import Display, Flag, Method, Reading
from frametally.read.expectation import Expected, expect
from frametally.read.legibility import Legibility

GOOD_BELOW, HOPELESS_FROM = 0.10, 0.5
"""Expected shares of flagged readings: below the first a display is good, from the second on it is not legible (our choice)."""

SMALL_PX, TINY_PX = 12.0, 7.0
"""Digits lower than the first have no reserve for a nudge, a turned-down lamp or mist; below the second a bar is no wider than a
pixel (a bar is about an eighth of the height). Common practice, no source."""

FAINT_STEP, LOST_STEP = 20.0, 8.0
"""Steps from unlit to lit in grey levels: below the first faint, below the second lost in a dim photo's noise (our choice)."""

SOFT = 0.24
"""Edges spread by more than this share of a bar's thickness are soft."""

SOFT_PX = 0.8
"""A camera in focus spreads an edge by less than this. [px]"""

NOISY = 0.12

BLIND = frozenset({"too-tight", "glare", "steep"})
"""Reasons that the table of expectations knows nothing of: with one of them, no share is given."""

GLARING, DAZZLED = 0.03, 0.25
STEEP_DEG, GRAZING_DEG = 45.0, 65.0
"""Liquid crystals pale from about the first angle on (common practice, no source)."""

TURNED_DEG = 25.0
NEARER = 1.5
"""Moving nearer is weighed as making digits so many times higher."""

LEAST_GAIN = 0.01
"""What lowers the expected share of flagged readings by less is not advised."""


class Verdict(StrEnum):
    """What is to be expected of a display; the words are what people see."""

    GOOD = "good"
    BORDERLINE = "borderline"
    NOT_LEGIBLE = "not legible"


@dataclass(frozen=True)
class Reason:
    """One thing that is wrong: a slug, the sentence, what to do about it ("" where another reason's remedy covers it), how bad it
    is, and `gain`, how much its remedy is thought to lower the share of flagged readings (above 1: must be done first)."""

    slug: str
    text: str
    remedy: str
    verdict: Verdict
    gain: float


@dataclass(frozen=True)
class Judgement:
    """The verdict on one display, with the expectation behind it (None where none can be given) and its reasons, most effective
    remedy first."""

    verdict: Verdict
    expected: Expected | None
    reasons: tuple[Reason, ...]

    @property
    def remedies(self) -> tuple[str, ...]:
        """What to change, most effective first, each once."""
        return tuple(dict.fromkeys(reason.remedy for reason in self.reasons if reason.remedy))


def judge_display(
    display: Display, reading: Reading, seen: Legibility | None, view: Obliquity | None, method: Method | None = None
) -> Judgement:
    """Judge one display in one photo.

    Parameters
    ----------
    reading : what the reader said of it
    seen : what was measured; None where the display was not found, or something stands in front of it
    view : how obliquely it is seen
    """
    expected = expectation(seen) if seen is not None else None
    reasons = list(_of_reading(reading, method or Method()))
    if seen is not None and reading.flag is not Flag.BLANK:
        reasons += [*_of_marks(display, reading, seen), *_of_glare(seen)]
    if seen is not None and reading.text:
        reasons += _of_step(seen)
        reasons += _of_view(view) if view is not None else ()
        reasons += _of_digits(seen, expected)
    order = list(Verdict)
    worst = max((reason.verdict for reason in reasons), key=order.index, default=Verdict.GOOD)
    if not reading.text or BLIND & {reason.slug for reason in reasons}:
        expected = None
    return Judgement(worst, expected, tuple(sorted(reasons, key=lambda reason: -reason.gain)))


def expectation(seen: Legibility) -> Expected | None:
    """Give the expected share of flagged readings; None where no bars could be measured."""
    if seen.height_px is None or seen.blur_px is None or seen.stroke_px is None:
        return None
    return expect(seen.height_px, seen.contrast, seen.blur_px / seen.stroke_px, seen.noise)


# --- reasons ----------------------------------------------------------------------------------------------------------

_LOOK = "Look at the photo at full size: what you cannot read for sure, nobody can. Change what is easiest, then check again."

_NOT_READ: dict[Flag, tuple[str, str]] = {
    Flag.HIDDEN: ("Something stands in front of it.", "Clear the view and take the photo again."),
    Flag.LOST: (
        "It was not found where it was marked.",
        "If the camera or the instrument was moved, mark the displays again on a photo taken now.",
    ),
    Flag.BLANK: (
        "It is off, or too faint to tell from off.",
        "Switch it on, see that it does not switch itself off, and take the photo again.",
    ),
    Flag.UNREADABLE: (
        "Nothing on it could be read.",
        "See that it shows a number and that the corners in the calibration lie around it.",
    ),
}


def _of_reading(reading: Reading, method: Method) -> Iterator[Reason]:
    if reading.flag in _NOT_READ:
        text, remedy = _NOT_READ[reading.flag]
        yield Reason(reading.flag.value, text, remedy, Verdict.NOT_LEGIBLE, 4.0)
    elif reading.flag is Flag.DOUBTFUL or reading.confidence < method.doubtful_below:
        text = f'It reads "{reading.text}" with {reading.confidence:.0%} confidence: in a night that is a doubtful reading.'
        yield Reason("doubtful", text, _LOOK, Verdict.BORDERLINE, 0.0)
    elif reading.value is None:
        yield Reason(
            "no-number", f'It shows the word "{reading.text}", no number.',
            "Take the photo again when it shows a number.", Verdict.BORDERLINE, 0.5,
        )  # fmt: skip


def _of_marks(display: Display, reading: Reading, seen: Legibility) -> Iterator[Reason]:
    """A digit beside the region is worst where the number that was read leaves places of the mask empty: it may be one."""
    if seen.tight.runs:
        sides = _listed(seen.tight.runs)
        text = f"The marked region is too tight: digits run over its {sides} edge. A cut digit reads as another one, and surely."
        remedy = f"Mark it looser on the {sides}: all digit places inside, and a tenth of their height of room around."
        gain = 3.0
        if _glaring_share(seen) > GLARING:  # its rim looks like ink
            text = f"Digits may run over the {sides} edge of the marked region; glare can look like that."
            remedy, gain = "When the glare is gone, check again whether the mark cuts a digit.", 0.1
        yield Reason("too-tight", text, remedy, Verdict.NOT_LEGIBLE, gain)
    if seen.tight.beside:
        sides = _listed(seen.tight.beside)
        places = max(mask.count("#") for mask in display.masks)
        lacks = sum(character.isdigit() for character in reading.text) < places
        yield Reason(
            "digit-beside",
            f"Something as tall as a digit stands close by on the {sides}, outside the marked region.",
            f"If that on the {sides} is a digit of this number, mark the region wider; if not, cover it or mark what it is.",
            Verdict.NOT_LEGIBLE if lacks else Verdict.BORDERLINE,
            2.0,
        )


def _of_glare(seen: Legibility) -> Iterator[Reason]:
    share = _glaring_share(seen)
    if share > GLARING:
        yield Reason(
            "glare",
            f"Glare lies over {share:.0%} of it{', white to the camera' if seen.clipped > GLARING else ''}.",
            "Turn the lamp, or the instrument a little, until nothing mirrors in the window; no flash.",
            Verdict.NOT_LEGIBLE if share > DAZZLED else Verdict.BORDERLINE,
            share + 0.2,
        )


def _glaring_share(seen: Legibility) -> float:
    """Give the share of the display under glare; shining digits are white to the camera without any."""
    return max(seen.glare, seen.clipped if seen.dark else 0.0)


def _of_step(seen: Legibility) -> Iterator[Reason]:
    if seen.step < FAINT_STEP:
        dim = "Give it more light, or a longer exposure" if seen.dark else "Give it a longer exposure, or darken the room"
        yield Reason(
            "faint",
            f"Lit and unlit are only {seen.step:.0f} grey levels of 255 apart.",
            f"{dim}; look at it more straight on.",
            Verdict.NOT_LEGIBLE if seen.step < LOST_STEP else Verdict.BORDERLINE,
            0.3 if seen.step < LOST_STEP else 0.15,
        )


def _of_view(view: Obliquity) -> Iterator[Reason]:
    surely = view.angle_deg - view.unsure_deg
    if surely > STEEP_DEG:
        yield Reason(
            "steep",
            f"It is seen from about {view.angle_deg:.0f}° (± {view.unsure_deg:.0f}°) off straight on, where digits pale.",
            "Put the camera more in front of it.",
            Verdict.NOT_LEGIBLE if surely > GRAZING_DEG else Verdict.BORDERLINE,
            0.25,
        )
    if abs(view.turned_deg) > TURNED_DEG:
        yield Reason(
            "turned", f"Its digits run {abs(view.turned_deg):.0f}° off the level.",
            "Level it or the camera: straight digits get more pixels.", Verdict.GOOD, 0.02,
        )  # fmt: skip


def _of_digits(seen: Legibility, expected: Expected | None) -> Iterator[Reason]:
    """The reasons that the table can weigh, each with what its remedy would gain."""
    height = seen.height_px
    if height is not None and height < SMALL_PX:
        verdict = Verdict.NOT_LEGIBLE if height < TINY_PX else Verdict.BORDERLINE
        gain = max(_gain(seen, expected, height=NEARER), 0.1)
        yield Reason("small", f"Its digits are only {height:.0f} px high.", _nearer(height), verdict, gain)
    if expected is None:
        return
    if expected.flagged >= GOOD_BELOW:
        verdict = Verdict.NOT_LEGIBLE if expected.flagged >= HOPELESS_FROM else Verdict.BORDERLINE
        text = f"Of displays that look like this, {expected.flagged:.0%} were left as a doubt, read one by one."
        yield Reason("expected", text, _LOOK, verdict, 0.0)
    if height is not None and height >= SMALL_PX and _gain(seen, expected, height=NEARER) >= LEAST_GAIN:
        text = f"Digits of {height:.0f} px are not high enough for how clear they are."
        yield Reason("nearer", text, _nearer(height), Verdict.GOOD, _gain(seen, expected, height=NEARER))
    softness = (seen.blur_px or 0.0) / (seen.stroke_px or 1.0)
    if softness > SOFT and (seen.blur_px or 0.0) > SOFT_PX:
        gain = _gain(seen, expected, blur=0.6, contrast=1.3)
        yield Reason(
            "soft", f"Its edges are soft: spread over {seen.blur_px:.1f} px, bars are {seen.stroke_px:.1f} px thick.",
            "Focus on the display and lock the focus; clean the lens; put the camera on something firm.",
            Verdict.BORDERLINE if gain >= GOOD_BELOW else Verdict.GOOD, max(gain, 0.02),
        )  # fmt: skip
    if seen.noise > NOISY:
        yield Reason(
            "noisy", f"The camera's noise is {seen.noise:.0%} of the step from unlit to lit.",
            "Give it more light, or set a lower ISO and a longer exposure.", Verdict.GOOD,
            max(_gain(seen, expected, noise=0.5), 0.01),
        )  # fmt: skip
    if expected.flagged >= GOOD_BELOW and _gain(seen, expected, contrast=1.5, noise=1 / 1.5) >= LEAST_GAIN:
        yield Reason(
            "pale", f"Lit bars stand off by only {seen.contrast:.0%}.",
            "Turn it or the lamp until the digits stand out more; dark digits need light on them, shining ones a darker room.",
            Verdict.GOOD, _gain(seen, expected, contrast=1.5, noise=1 / 1.5),
        )  # fmt: skip


def _nearer(height: float) -> str:
    times = max(NEARER, 20.0 / height)
    return f"Move the camera nearer, or zoom in optically, until the digits are {height * times:.0f} px high or more."


def _gain(
    seen: Legibility,
    expected: Expected | None,
    *,
    height: float = 1.0,
    contrast: float = 1.0,
    blur: float = 1.0,
    noise: float = 1.0,
) -> float:
    """Give how much lower the expected share of flagged readings is with these values so many times as high."""
    if expected is None or seen.height_px is None or seen.blur_px is None or seen.stroke_px is None:
        return 0.0
    softness = blur * seen.blur_px / seen.stroke_px / height  # nearer, a bar is wider and the lens as soft as before
    return expected.flagged - expect(height * seen.height_px, contrast * seen.contrast, softness, noise * seen.noise).flagged


def _listed(sides: tuple[str, ...]) -> str:
    return sides[0] if len(sides) == 1 else f"{', '.join(sides[:-1])} and {sides[-1]}"
