"""The stream, in the order in which data pass: no clock, socket, file, log or random number in here."""
