"""Reads instrument displays in time-lapse photos and says what the night's air meant."""
