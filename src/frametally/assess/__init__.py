"""A table of readings and a trial to findings: no clock, no files but packaged data."""

from frametally.assess.assessment import assess, assessment_to_dict
from frametally.assess.facts import DisplayFacts, facts_from_table, facts_of, from_display
from frametally.assess.limits import AlarmStandard, Limit, level_for, limits_for, load_alarms, load_limits
from frametally.assess.schema import assessment_schema

__all__ = [
    "AlarmStandard",
    "DisplayFacts",
    "Limit",
    "assess",
    "assessment_schema",
    "assessment_to_dict",
    "facts_from_table",
    "facts_of",
    "from_display",
    "level_for",
    "limits_for",
    "load_alarms",
    "load_limits",
]
