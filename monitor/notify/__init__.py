"""Telling others: MQTT topics, webhooks, message services."""
