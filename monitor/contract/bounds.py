"""Upper limits on sizes of messages and names, for the messages on the wire and the columns that hold them."""

# Characters.
NAME = 60  # of a line, station, quantity, recipe
LABEL = 80  # of a drum, a person, a proposal
TEXT = 400  # a person's reason, or a machine's cause of a stop
WORDS = 8000  # a handover note, never cut
SUMMARY = 4000  # a rehearsal in words
ALARM = 200  # stream and check
EVENT = 220  # an alarm with the time of its raising
CHANGES = 200  # limits changed at once

# What a line of text may hold: no control characters. A text may be of several lines, with tabs.
ONE_LINE = r"^[^\x00-\x1f\x7f]*(?![\s\S])"
LINES = r"^[^\x00-\x08\x0b\x0c\x0e-\x1f\x7f]*(?![\s\S])"

# Numbers.
LENGTH_M = 1e9  # a line at 1000 m/min needs two thousand years for it
VALUE = 1e12  # of a limit or a measured property, in any unit
SPEED_M_PER_S = 30.0  # of cable: no line is as fast
STEP_MS = 86_400_000.0  # between two samples
STEP_MIN_MS = 0.001  # stamps that lie closer together are equal as floats
TIME_MS = 253_402_300_799_999  # the end of the year 9999: what calendars can show
REVISION = 2**31 - 1
