"""The cure of every element of cable as it passes the ovens."""
