"""Skids and alarms for OPC UA clients: a server in a process of its own that reads the store, as the page does."""
