"""Queries of pages and api on the record, as plain values."""
