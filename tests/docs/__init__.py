"""DEVELOPERS.md says what the code says: its tables are written from the code, and tests hold it to that."""
