"""A table of readings and a trial to findings: no clock, no files but packaged data."""

from frametally.assess.assessment import assess, assessment_to_dict
from frametally.assess.facts import DisplayFacts, facts_from_table, from_display
from frametally.assess.limits import Limit, limits_for, load_limits

__all__ = [
    "DisplayFacts",
    "Limit",
    "assess",
    "assessment_to_dict",
    "facts_from_table",
    "from_display",
    "limits_for",
    "load_limits",
]
