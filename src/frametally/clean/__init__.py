"""The readings of a night to a table; what the neighbours say of a doubt."""
