"""The monitor as a process: MQTT, service, restore."""
