"""Problems of a monitor in words, each with what to check."""

import dataclasses

import pytest

from dashboard.text.troubles import troubles
from monitor.contract.reading import HealthRow

WELL = HealthRow(
    monitor="all lines",
    t_ms=1_000_000,
    messages=10,
    rejected={},
    lag_s=0.2,
    queue=3,
    last_commit_ms=999_900,
    disk_free_bytes=50 * 2**30,
)


def test_a_monitor_that_is_well_has_no_troubles():
    assert troubles(WELL, 1_000_500) == []


@pytest.mark.parametrize(
    ("change", "now_ms", "says"),
    [
        ({}, 1_060_000, "has not reported for 60 s"),
        ({"disk_free_bytes": 2**28}, 1_000_500, "disk nearly full, 0.2 GiB left"),
        ({"last_commit_ms": 900_000}, 1_000_500, "cannot commit"),
        ({"queue": 9000}, 1_000_500, "9\u202f000 messages queued"),
        ({"lag_s": 40.0}, 1_000_500, "the newest data is 40 s old"),
        ({"problems": ["core-1 is neither stored"]}, 1_000_500, "core-1 is neither stored"),
    ],
)
def test_each_trouble_is_reported_with_what_to_look_at(change, now_ms, says):
    (said,) = troubles(dataclasses.replace(WELL, **change), now_ms)
    assert said.startswith(says)
