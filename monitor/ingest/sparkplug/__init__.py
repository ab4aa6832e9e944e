"""Sparkplug B (Eclipse Sparkplug 3.0.0): edge nodes and their devices, heard as one who reads along.

We are no primary host: no node waits for us.
"""
