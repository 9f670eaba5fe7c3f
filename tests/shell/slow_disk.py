"""A monitor whose every commit takes as long as on a disk that is nearly dead. Usage: as `everymetre monitor`."""

import sys
import time

from sqlalchemy import event
from sqlalchemy.engine import Connection, Engine

from monitor.__main__ import main

COMMIT_S = 0.8


def slowly(_: Connection) -> None:
    """The fault itself: the disk is what makes one wait."""
    time.sleep(COMMIT_S)


if __name__ == "__main__":
    event.listen(Engine, "commit", slowly)
    sys.exit(main(["monitor", *sys.argv[1:]]))
