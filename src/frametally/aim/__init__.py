"""Where the displays are, and how the camera moved in this frame."""

from frametally.aim.calibrate import check_fit, digit_height_px, reference_of
from frametally.aim.register import Registrar

__all__ = ["Registrar", "check_fit", "digit_height_px", "reference_of"]
