"""The record of a drum as a sheet: words and tables, and the same on A4."""
