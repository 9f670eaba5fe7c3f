"""The outside: clock, MQTT, store, service. The only place with input and output."""
