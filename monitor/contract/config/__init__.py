"""The configuration of a works as types, a module for each kind of file."""
