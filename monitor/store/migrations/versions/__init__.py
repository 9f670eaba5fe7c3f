"""One module a revision; the number in its name is the version of the schema that it leads to."""
