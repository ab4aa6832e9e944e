"""Recordings through the engine, and the files that come of it."""
