"""Where the displays are, and how the camera moved in this frame."""

from frametally.aim.between import Stand, stands_between
from frametally.aim.calibrate import check_fit, digit_height_px, reference_of
from frametally.aim.register import Registrar

__all__ = ["Registrar", "Stand", "check_fit", "digit_height_px", "reference_of", "stands_between"]
