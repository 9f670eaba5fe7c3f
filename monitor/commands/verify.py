"""The command `everymetre verify`: verify the hash chain of the audit trail and report any change."""

import sys
from argparse import ArgumentParser, Namespace
from pathlib import Path

from sqlalchemy import select

from monitor.commands import SUMMARIES
from monitor.contract.command import Command
from monitor.contract.config.load import ConfigurationError, load
from monitor.store.audit_trail import verify
from monitor.store.database import open_for_reading
from monitor.store.schema import JOURNAL


def _options(parser: ArgumentParser) -> None:
    parser.add_argument(
        "--configs", type=Path, default=Path("configs"), metavar="DIR", help="configuration folder (default: configs)"
    )
    parser.add_argument("--store", metavar="DIR", help="folder of the record (overrides works.toml)")
    parser.add_argument(
        "--expect", nargs="*", default=[], metavar="LINE=HASH", help="previously recorded hashes that must be present"
    )


def _run(options: Namespace) -> int:
    try:
        store = load(options.configs).works.store
        expected = [tuple(pair.split("=", 1)) for pair in options.expect]
        if any(len(pair) != 2 for pair in expected):
            raise ValueError("--expect requires LINE=HASH, such as core-1=3f0a...")
    except (ConfigurationError, FileNotFoundError, ValueError) as error:
        print(error, file=sys.stderr)
        return 2
    if options.store:
        store = store.model_copy(update={"folder": options.store})
    with open_for_reading(store).connect() as connection:
        rows = connection.execute(select(JOURNAL).order_by(JOURNAL.c.line, JOURNAL.c.seq)).all()
    verdicts = verify(rows)
    for verdict in verdicts:
        state = f"{verdict.entries} entries, {verdict.wrong or 'intact'}"
        print(f"{verdict.line or 'works'}: {state}, last hash {verdict.last}")
    good = not any(verdict.wrong for verdict in verdicts)
    for line, want in expected:
        if not any(row.line == line and row.hash == want for row in rows):
            print(f"{line}: no entry with the hash {want}: entries were cut off or changed")
            good = False
    return 0 if good else 1


COMMAND = Command(SUMMARIES["verify"], _options, _run)
