"""Draws practice nights with known truth, for the demo, for learning and for tests."""
