"""The stream, in the order the data meets it: no clock, socket, file, log or random number in here."""
