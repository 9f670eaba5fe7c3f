"""Public interface: topics, messages, configuration and the types of the record; no internal imports."""
