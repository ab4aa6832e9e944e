"""Scenario families: each plans a story from a random generator and what was asked for."""
