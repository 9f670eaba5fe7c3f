"""Child process that exits when its parent exits: the parent holds the other end of its stdin."""

import os
import signal
import threading

GRACE_S = 4.0


def live_by_stdin() -> None:
    """From now on, the end of standard input asks this process to stop (SIGTERM), and ends it after a grace time."""
    threading.Thread(target=_watch, name="lifeline", daemon=True).start()


def _watch() -> None:
    try:
        while os.read(0, 4096):
            pass
    except OSError:
        pass  # a stdin that cannot be read has ended too
    os.kill(os.getpid(), signal.SIGTERM)
    threading.Event().wait(GRACE_S)
    os._exit(1)
