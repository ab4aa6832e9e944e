"""The one engine: what the daemon, replay and tuning all run.

    rows -> sequencer -> row tier (compiled) -> event tier (plain Python) -> events, minutes

Time is an input. Nothing here reads a clock, a file or a socket, or logs.
"""
