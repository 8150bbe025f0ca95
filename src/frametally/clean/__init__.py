"""The readings of a night to a table; what the neighbours say of a doubt."""

from frametally.clean.series import Tables, make_tables

__all__ = ["Tables", "make_tables"]
