"""The readings of a night to a table; what the neighbours say of a doubt, and which readings are worth a second look."""

from frametally.clean.looks import is_model, is_open, judge_first
from frametally.clean.series import Tables, make_tables
from frametally.clean.shown_clock import with_shown_times

__all__ = ["Tables", "is_model", "is_open", "judge_first", "make_tables", "with_shown_times"]
