"""The readings of a night to a table; what the neighbours say of a doubt, and which readings are worth a second look."""

from frametally.clean.looks import is_model, is_open, is_unseen, judge_first
from frametally.clean.rules import Settled
from frametally.clean.series import Tables, make_tables
from frametally.clean.shown_clock import with_shown_times

__all__ = ["Settled", "Tables", "is_model", "is_open", "is_unseen", "judge_first", "make_tables", "with_shown_times"]
