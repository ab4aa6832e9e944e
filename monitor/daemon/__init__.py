"""The daemon: live messages through the engine into the store, and alarms out of it."""
