"""Analyses of the record."""
