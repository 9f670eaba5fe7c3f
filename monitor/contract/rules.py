"""Contract 1.0: the rules for publishers, and the numbers in them. The text for gateway developers is `rules.md`.

A rule keeps its number for ever; one that is withdrawn leaves its number unused.
"""

import re
from functools import cache
from pathlib import Path

from monitor.contract.messages import Stored
from monitor.contract.record import Rejected
from monitor.contract.topics import STATE, Stream

VERSION = "1.0"

IN_FLIGHT_MAX = 100  # R18: sent and not acknowledged by the broker, one connection
WINDOW_MAX = 2000  # R18: sent and not reported, one line
REPORT_WITHIN_S = 15.0  # R17, R19: after this a message without a report is sent again
AGAIN_WITHIN_S = 45.0  # R19: after those
UNANSWERED_MAX = 5  # R19: sent so often with a report of the line after each, and still not reported: put aside
ORDER_WITHIN_S = 2.0  # R16
BLOCK_MAX_S = 10.0  # R8
UNKNOWN_LINES_MAX = 100  # R21: names of lines that are not configured whose publishers are answered
UNKNOWN_LINE_ANSWERS_PER_S = 10.0
EMPTY_REPORT = Stored(n=0, first=1)  # R19: covers nothing


def empty_report_stream(line: str) -> Stream:
    """On whose topic `EMPTY_REPORT` is published."""
    return Stream(line, "line", STATE)


# R21: why a message is not stored, by kind, and whether sending it again never helps.
REFUSALS = {
    "not JSON": True,
    "wrong type": True,
    "not finite": True,
    "text": True,
    "block": True,
    "too large": True,
    "clock never set": True,
    "number forgotten": True,
    "set aside": True,
    "clock behind": False,
    "clock ahead": False,
    "unknown stream": False,
    "derived stream": False,
    "unknown line": False,
    "defect": False,
}
UNREPORTED = ("topic", "old retained")  # rejected as well, but no publisher can be named


def empty_report_line(rejected: Rejected) -> str:
    """The line whose publisher may wait for a report of this message, which none can name (R19); empty for none."""
    is_unnamed = rejected.number is None and rejected.kind in (*REFUSALS, *UNREPORTED)
    return (rejected.line or rejected.unknown_line) if is_unnamed else ""


@cache
def document() -> str:
    """The rules as Markdown."""
    return Path(__file__).with_suffix(".md").read_text(encoding="utf-8")


@cache
def titles() -> dict[str, str]:
    """Title of every rule, by its name: R1, R2 ..."""
    return dict(re.findall(r"^## (R\d+) (.+)$", document(), re.MULTILINE))
