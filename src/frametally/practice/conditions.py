"""Takes a name; gives what makes a whole night hard to read: how dark, veiled, shaken, small, noisy, pale or pressed it is.

`troubles` befall single stretches of a night; a condition lies over all of it. Each is as strong as a person with the photo at
full size still reads it (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from frametally.errors import BadInput
from frametally.practice.camera import JPEG_QUALITY
from frametally.practice.paint import Picture, blur
from frametally.practice.styles import DisplayStyle, Style


@dataclass(frozen=True)
class Condition:
    """What lies over a whole night.

    `troubles` are those that make it; `light` the lamp's level (1 = full); `gain` the noise against an ordinary photo's;
    `veil` how much of the light mist scatters (0 to 1); `smear_px` how far the camera shakes in a frame 1280 px wide; `contrast`
    the digits' against the style's own, while unlit segments stay as they are; `quality` the JPEG's; `size` the share of the
    wished width and height; `shares` how long troubles last where it is not as usual (`troubles.SHARES`).
    """

    words: str
    troubles: tuple[str, ...] = ()
    light: float = 1.0
    gain: float = 1.0
    veil: float = 0.0
    smear_px: float = 0.0
    contrast: float = 1.0
    ghost: float = 0.0
    quality: int = JPEG_QUALITY
    size: float = 1.0
    shares: Mapping[str, tuple[float, int, int]] = field(default_factory=dict)


PLAIN = Condition("an ordinary night")

CONDITIONS: dict[str, Condition] = {
    "plain": PLAIN,
    "dark cabin": Condition("the lamp turned down all night, the camera's noise up", light=0.3, gain=2.2),
    "lamp glare": Condition("a light mirrored in one window for long", ("glare",), shares={"glare": (0.3, 3, 400)}),
    "condensation": Condition("mist on the glass between camera and cabin", veil=0.5),
    "motion blur": Condition("a camera that shakes in every photo", smear_px=9.0),
    "small in frame": Condition("half as many pixels across each digit", size=0.5),
    "noise": Condition("a camera with a small sensor", gain=4.5),
    "viewing angle": Condition("seen from where digits pale and unlit segments show", contrast=0.5, ghost=0.12),
    "nudged camera": Condition("camera knocked, instrument slid", ("nudge", "instrument-moved")),
    "heavy JPEG": Condition("photos pressed until blocks show", quality=18),
}
"""Every condition of a practice night, by name."""


def check_condition(name: str | None) -> Condition:
    """Give the condition of a name (None: the ordinary one); raises BadInput for an unknown name."""
    if name is None:
        return PLAIN
    if name not in CONDITIONS:
        raise BadInput(f"unknown condition {name!r}; choose from: {', '.join(CONDITIONS)}")
    return CONDITIONS[name]


def paled(style: Style, condition: Condition) -> Style:
    """Give a night's look as the condition shows it."""
    if condition.contrast == 1.0 and condition.ghost == 0.0:
        return style

    def pale(display: DisplayStyle) -> DisplayStyle:
        return replace(display, contrast=display.contrast * condition.contrast, ghost=max(display.ghost, condition.ghost))

    return replace(style, hand=pale(style.hand), shelf=pale(style.shelf))


def lay_over(
    light: Picture, condition: Condition, share: float, night: np.random.Generator, shot: np.random.Generator
) -> Picture:
    """Give the light as it comes through mist and to a shaking camera, at a `share` (0 to 1) of the night.

    `night` must start alike for every frame: where the mist lies. `shot` is the frame's own.
    """
    rows, columns = light.shape[:2]
    if condition.veil:
        phase = float(night.uniform(0, 2 * np.pi))
        patches = night.uniform(0.6, 1.0, (3, 4)).astype(np.float32)
        thick = condition.veil * (0.85 + 0.15 * np.sin(phase + 9 * share))
        mist = cv2.resize(patches, (columns, rows), interpolation=cv2.INTER_CUBIC)[..., None] * np.float32(thick)
        scattered = cv2.resize(cv2.resize(light, (16, 12), interpolation=cv2.INTER_AREA), (columns, rows))
        light = np.asarray(blur(light, columns / 1280) * (1 - mist) + (0.7 * scattered + 40) * mist, np.float32)
    if condition.smear_px:
        light = _smeared(
            light, condition.smear_px * columns / 1280 * float(shot.uniform(0.3, 1.0)), float(shot.uniform(0, np.pi))
        )
    return light


def _smeared(light: Picture, length_px: float, angle: float) -> Picture:
    """Smear along a line, in both directions alike."""
    reach = int(np.ceil(length_px / 2)) + 1
    kernel = np.zeros((2 * reach + 1, 2 * reach + 1), np.float32)
    for along in np.linspace(-length_px / 2, length_px / 2, 16 * reach):  # each point shared out among the four pixels around
        x, y = reach + along * np.cos(angle), reach + along * np.sin(angle)
        left, top = int(x), int(y)
        for dx, dy in ((0, 0), (1, 0), (0, 1), (1, 1)):
            kernel[top + dy, left + dx] += (1 - abs(x - left - dx)) * (1 - abs(y - top - dy))
    return np.asarray(cv2.filter2D(light, -1, kernel / kernel.sum(), borderType=cv2.BORDER_REFLECT), np.float32)
