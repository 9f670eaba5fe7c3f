"""When a line counts as silent."""

from monitor.core.line_silence import LineSilence
from tests.core.script import configuration

LINE = configuration().lines["core-1"]
AFTER_S = LINE.silence.after_s


def test_a_line_that_never_sent_is_not_silent():
    assert not LineSilence(LINE).is_due(1e12)


def test_a_silence_is_due_at_its_time_and_ends_with_the_next_message():
    silence = LineSilence(LINE)
    assert not silence.receive(1000.0)
    assert not silence.is_due(1000.0 + AFTER_S - 0.001)
    assert silence.is_due(1000.0 + AFTER_S)
    silence.silent = True
    assert not silence.is_due(1e12)
    assert silence.receive(5000.0)
    assert not silence.receive(5001.0)


def test_a_message_that_was_received_earlier_shortens_no_waiting():
    silence = LineSilence(LINE)
    silence.receive(1000.0)
    silence.receive(900.0)
    assert silence.heard_s == 1000.0


def test_a_line_without_a_limit_is_never_silent():
    silence = LineSilence(LINE.model_copy(update={"silence": None}))
    silence.receive(0.0)
    assert not silence.is_due(1e12)
