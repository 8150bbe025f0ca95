"""Takes what the bars spell and what the network reads; gives the reading: its text, how sure it is, and the flag it deserves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from frametally.model import Display, Flag, Reading, Rival
from frametally.read.answers import Answer, Known
from frametally.read.layout import Mask
from frametally.read.verdict import CLEAR_OF_GLARE, agree

LEAST_CONTRAST = 0.06
"""Below this, nothing on the display stands off its ground: it is off. As in `rectify.Ink.contrast`."""

FAINTEST = 0.035
"""Where nothing is known of a display, it is off below this contrast, and at best a doubt below LEAST_CONTRAST."""

UNLIT_SHARE, FAINT_SHARE = 0.22, 0.4
"""Shares of the usual contrast: below the first only unlit segments are left to see, below the second a reading is a doubt."""

WORD_AT_LEAST = 0.5
"""A word less probable than this was not read."""

SEEN_BY_BOTH, SEEN_ALONE = 0.5, 0.8
"""From here on numbers that the network sees are on the display, however faint: it may be doubted, but the display is not off.
The first where the bars spell one of them; between the two nothing can be said of it."""

LEAST_SIGHT = 0.3
"""Many numbers, none of which the network holds more probable than this, are seen in noise."""

PLAIN_SIGHT = 0.95
"""A number that the network holds this probable is shown as a doubt where the bars make nothing of the display, or something that
stays a doubt."""

DOUBTED, DOUBTED_ALONE = 0.5, 0.85
"""A number that may be what shows on the display unlit, or what is left of a longer one, gets no more than this: in a night, and
where a display is seen in one photo only. Alone 96 % of such numbers were right, of 255 among 6,000 drawn displays; a mark that
cuts a digit is commoner among people's displays than among those. In a night the same doubt comes with every frame."""

HARDLY = 0.25
"""Less than this is no reading."""

KEPT_RIVALS = 5


def judge(answer: Answer, network: list[tuple[str, float]], display: Display, known: Known | None, clipped: float) -> Reading:
    """Give the reading of a display.

    Parameters
    ----------
    network : (text, probability), best first
    clipped : the share of the strip that is white to the camera
    """
    doubted = DOUBTED_ALONE if known is None else DOUBTED
    noise = max(answer.fit.ink.noise, 0.01)
    sharpness = answer.contrast / answer.fit.ink.contrast / noise
    bars = answer.rated
    off, glaring = _is_off(answer, *bars[0], known), _is_glaring(answer, clipped, known)
    sights = network if known is None else network[:1]  # what is known of a display's contrast says more than many guesses
    seen = _share_of_numbers(sights, bars[0][0], answer.mask) if off else 1.0
    enough = SEEN_BY_BOTH if bars[0][0] in dict(sights) else SEEN_ALONE
    plainly = bool(sights) and sights[0][1] >= LEAST_SIGHT
    if off and not (plainly and seen >= enough and (known is None or not glaring)):
        if glaring or (known is None and plainly and seen >= SEEN_BY_BOTH):
            nothing = Reading("", None, 0.0, Flag.UNREADABLE, _rivals(bars), "segments", sharpness)
            return in_plain_sight(nothing, network, display, doubted)
        sure = 0.99 if known is not None else min(0.99, 1 - seen)
        return Reading("", None, sure, Flag.BLANK, _rivals(bars), "segments", sharpness)
    rivals = _rivals(_weighed(agree(bars, network, veiled=answer.veiled), display))
    text, confidence = rivals[0].text, rivals[0].probability
    flag = flag_of(text, display)
    if flag is not Flag.OK and confidence < WORD_AT_LEAST and number(text) is None:
        flag = Flag.UNREADABLE  # a word says more than a number: it must be more than the best of bad fits
    faint = answer.contrast < (LEAST_CONTRAST if known is None else FAINT_SHARE * known.contrast)
    unlit = off or faint
    if flag is Flag.OK and (unlit or answer.cut or _glare_leaves_open(answer, network)):
        # it may be what shows on the display unlit, or what is left of a digit or of a number
        flag = Flag.DOUBTFUL
        if answer.cut or known is not None or (unlit and _is_of_eights(text)):
            confidence = min(confidence, doubted)
    return in_plain_sight(Reading(text, number(text), confidence, flag, rivals, "segments", sharpness), network, display, doubted)


def in_plain_sight(reading: Reading, network: Sequence[tuple[str, float]], display: Display, doubted: float) -> Reading:
    """Give what the network plainly sees, as a doubt so sure as `doubted`, where the reading is one or none; else the reading."""
    text, chance = next(iter(network), ("", 0.0))
    is_open = reading.flag in (Flag.DOUBTFUL, Flag.UNREADABLE) or reading.confidence < HARDLY
    says_more = text != reading.text or reading.confidence < HARDLY
    if not (is_open and says_more and chance >= PLAIN_SIGHT and flag_of(text, display) is Flag.OK) or _is_of_eights(text):
        return reading
    others = [rival for rival in reading.rivals if rival.text != text]
    rest = 0.8 * (1 - doubted)
    room = rest / max(sum(rival.probability for rival in others), rest)
    rivals = [Rival(text, number(text), doubted), *(replace(rival, probability=room * rival.probability) for rival in others)]
    seen = replace(reading, text=text, value=number(text), confidence=doubted, flag=Flag.DOUBTFUL)
    return replace(seen, rivals=tuple(rivals[:KEPT_RIVALS]))


def _glare_leaves_open(answer: Answer, network: Sequence[tuple[str, float]]) -> bool:
    """Tell whether glare hides bars that decide: the visible ones allow several texts, or the network sees another."""
    if not answer.veiled:
        return False
    text, share = answer.rated[0]
    allowed = sum(chance for _, chance in answer.rated)
    return share < CLEAR_OF_GLARE * allowed or not network or network[0][0] != text


def _rivals(rated: Sequence[tuple[str, float]]) -> tuple[Rival, ...]:
    return tuple(Rival(text, number(text), probability) for text, probability in rated[:KEPT_RIVALS])


def _is_glaring(answer: Answer, clipped: float, known: Known | None) -> bool:
    """Tell whether a display on which nothing shows may be under glare, rather than off."""
    ink = answer.fit.ink
    if clipped > 0.1 or ink.glare > 0.15:
        return True
    if known is None:
        return False
    return answer.contrast >= FAINT_SHARE * known.contrast or ink.usual > max(1.3 * known.ground, 150.0)


def _weighed(texts: Sequence[tuple[str, float]], display: Display) -> list[tuple[str, float]]:
    """Weigh texts with what the display can show: a number outside its range or off its resolution is a thousand times rarer."""
    weighed = []
    for text, probability in texts:
        value = number(text)
        weighed.append((text, probability * (1.0 if value is None or _can_show(value, display) else 1e-3)))
    total, known = sum(p for _, p in weighed), sum(p for _, p in texts)
    return sorted(((text, p / total * known if total > 0 else 0.0) for text, p in weighed), key=lambda item: -item[1])


def _can_show(value: float, display: Display) -> bool:
    if display.range is not None and not display.range[0] <= value <= display.range[1]:
        return False
    if display.resolution is None:
        return True
    steps = value / display.resolution
    return abs(steps - round(steps)) < 1e-6 * max(1.0, abs(steps))


def _is_off(answer: Answer, text: str, confidence: float, known: Known | None) -> bool:
    """Tell whether the display is off: nothing stands out, or only what stands out on an unlit one too, all bars alike."""
    contrast = answer.contrast
    all_lit = not set(text) - set("8.")
    if known is not None:
        unlit = contrast < max(LEAST_CONTRAST, UNLIT_SHARE * known.contrast)
        return not text or unlit or (all_lit and contrast < FAINT_SHARE * known.contrast)
    if not text or contrast < FAINTEST or (contrast < LEAST_CONTRAST and confidence < 0.6):
        return True
    return contrast < 2.5 * LEAST_CONTRAST and (all_lit or (not answer.fit.ink.dark and confidence < 0.5))


def _share_of_numbers(network: Sequence[tuple[str, float]], spelled: str, mask: Mask) -> float:
    """Give how probable the network holds it that some number stands on the display; `spelled` is what the bars spell.

    The unlit bars of a display that is off are eights, and the network may see those of some places only: eights alone are a
    number where both readers see the same ones, and a place without.
    """
    share = 0.0
    for text, probability in network:
        if number(text) is not None and (not _is_of_eights(text) or (text == spelled and text.count("8") < mask.places)):
            share += probability
    return share


def _is_of_eights(text: str) -> bool:
    """Tell whether a text is what the unlit bars of a display that is off may look like."""
    return not set(text) - set("-8.")


def flag_of(text: str, display: Display) -> Flag:
    """Give the flag of a text before anything is known of its neighbours."""
    value = number(text)
    if value is not None:
        return Flag.OK if _can_show(value, display) else Flag.DOUBTFUL
    if display.quantity == "clock" and ":" in text:  # a proper reading without a number
        return Flag.OK if tells_time(text) else Flag.DOUBTFUL
    meaning = display.meaning_of(text)
    if meaning == "over range":
        return Flag.OVER_RANGE
    if meaning == "under range":
        return Flag.UNDER_RANGE
    return Flag.STATUS if meaning is not None else Flag.UNREADABLE


def tells_time(text: str) -> bool:
    """Tell whether a text such as "23:59" or "7:05:30" is a time of day."""
    first, *others = text.split(":")
    if not all(part.isascii() and part.isdigit() for part in (first, *others)):
        return False
    return int(first) <= 24 and all(len(part) == 2 and int(part) < 60 for part in others)


def number(text: str) -> float | None:
    """Give the number in a display's text, None where it is not one."""
    try:
        return float(text) if text.strip("-.") and ":" not in text else None
    except ValueError:
        return None
