"""Texts, numbers, units, times and addresses as people read and enter them."""
