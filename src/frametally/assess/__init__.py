"""A table of readings and a trial to findings: no clock, no files but packaged data."""
