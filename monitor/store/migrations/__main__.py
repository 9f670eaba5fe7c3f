"""`python -m monitor.store.migrations MESSAGE`: draft the revision for a change of monitor/store/schema.py."""

import sys

from sqlalchemy import create_engine

from monitor.store.upgrade import draft

if __name__ == "__main__":
    with create_engine("sqlite://").connect() as memory:
        print(draft(memory, " ".join(sys.argv[1:])))
