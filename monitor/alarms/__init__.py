"""Alarms: delays and deadbands (compiled), catalogue of kinds with their texts, life cycle."""
