"""The monitor: streams of a continuous cable line become a record of each metre."""
