"""A child ends when its parent's end of stdin closes, however the parent died."""

import signal
import subprocess
import sys

import pytest

CHILD = """
import signal, sys
from monitor.contract import lifeline
lifeline.GRACE_S = 0.2
if sys.argv[1] == "stubborn":
    signal.signal(signal.SIGTERM, lambda *_: print("asked to stop", flush=True))
lifeline.live_by_stdin()
print("ready", flush=True)
while True:
    signal.pause()
"""


@pytest.mark.parametrize(
    ("kind", "code", "printed"), [("plain", -signal.SIGTERM, ""), ("stubborn", 1, "asked to stop\n")]
)
def test_it_is_asked_to_stop_and_ended_if_it_does_not(kind, code, printed):
    with subprocess.Popen(
        [sys.executable, "-c", CHILD, kind], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        assert child.stdin is not None
        assert child.stdout.readline() == "ready\n"
        assert child.poll() is None
        child.stdin.close()
        assert child.wait(timeout=60) == code
        assert child.stdout.read() == printed
