"""The edge where readings come in: live messages, recordings, and the order they are fed in."""
