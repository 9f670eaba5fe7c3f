"""Which filling is meant by the name of a drum that is put on a pay-off, on whichever line it was wound."""

from collections.abc import Sequence

from monitor.contract.reading import DrumRow


def put_on_at(named: Sequence[DrumRow], t_ms: int) -> DrumRow | None:
    """Which filling a drum put on a pay-off at a time is, of those of its name on any line.

    It is the newest that had ended by then. None where that is not known: none had ended by then, or another line
    wound a drum of that name while this one was wound, so that there were two.
    """
    ended = [(d.end_ms, d) for d in named if d.end_ms is not None and d.end_ms <= t_ms]
    if not ended:
        return None
    end_ms, newest = max(ended, key=lambda one: one[0])
    others = [d for d in named if d.line != newest.line and d.start_ms < end_ms]
    two = any(d.end_ms is None or d.end_ms > newest.start_ms for d in others)
    return None if two else newest
