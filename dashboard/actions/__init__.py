"""Operator actions: from the form on a page to the MQTT message."""
