"""The alarm on a drum's name that comes back on its line: the drum was refilled, or a label was typed twice.

A line's alarms follow from its own messages, whichever lines run beside it: a drum filled on another line before
raises none. The pages show every filling of a name on any line.
"""

from monitor.contract.config.line import Response
from monitor.contract.record import Priority

NAME_USED = "line/drum/name-used"
TITLE = "Drum name used before on this line"
PRIORITY = Priority.LOW
RESPONSE = Response(
    cause="The drum came back empty and is filled again, or its name was entered by mistake.",
    consequence="None for the record: each filling has a number of its own. A pay-off that names the drum means its "
    "newest filling on any line that had ended by then; its page shows all of them.",
    corrective_action="Compare the label on the drum with the name on the page. If it is wrong, correct it at the "
    "line's controls with the next drum change and note the right name.",
    time_to_respond_s=3600.0,
)
