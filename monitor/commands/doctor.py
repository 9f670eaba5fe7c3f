"""The command `everymetre doctor`: checks the store for damage and compares the record with its messages."""

import sys
import time
from argparse import ArgumentParser, Namespace
from collections.abc import Iterator, Sequence
from pathlib import Path

import msgspec
from sqlalchemy import select
from sqlalchemy.exc import SQLAlchemyError

from monitor.analysis.differences import LAST_DIGITS, Difference
from monitor.commands import SUMMARIES
from monitor.contract.command import Command
from monitor.contract.config.configuration import Configuration
from monitor.contract.config.line import Line
from monitor.contract.config.load import ConfigurationError, load
from monitor.shell import work_folder
from monitor.shell.compare_stores import NOT_COMPARED
from monitor.shell.damage import Damage, examine
from monitor.shell.doctor_rebuild import RebuiltLine, rebuild, room_bytes
from monitor.store.database import open_for_reading
from monitor.store.lease import hold
from monitor.store.parquet_files import why
from monitor.store.revisions import lines_on_record
from monitor.store.schema import DRUM, LEDGER

SHOWN = 20  # differences of one line
TOGETHER = 1000  # messages in memory


EXIT_CODES = "Exit code: 0 intact and equal, 1 damaged or different, 2 not run (configuration, a monitor that writes)."
RESTORE = (
    "What to do: stop the monitor of these lines, keep a copy of the store, restore what is named above from a backup, "
    "and run doctor again."
)
LEAVE = (
    "What to do: nothing is changed by doctor. Where a table or file differs, the messages are what counts: keep a "
    "copy of the store, and compare with a backup of the day before."
)


def _options(parser: ArgumentParser) -> None:
    parser.epilog = EXIT_CODES
    parser.add_argument(
        "--configs", type=Path, default=Path("configs"), metavar="DIR", help="configuration folder (default: configs)"
    )
    parser.add_argument("--store", metavar="DIR", help="folder of the record (overrides works.toml)")
    parser.add_argument("--lines", metavar="LINE,LINE", help="look at these only")
    parser.add_argument(
        "--work-dir", type=Path, metavar="DIR",
        help="where each line is made again for a while, with as much room as its rows need (default: the folder work "
        "in the store's)",
    )  # fmt: skip
    parser.add_argument(
        "--quick", action="store_true", help="look at database, files, journal and each message only; compare nothing"
    )
    parser.add_argument("--digests", action="store_true", help="print the digest of each finished drum")


def _run(options: Namespace) -> int:
    try:
        configuration = load(options.configs)
        lines = _lines(configuration, options.lines)
    except (ConfigurationError, FileNotFoundError, ValueError) as error:
        print(error, file=sys.stderr)
        return 2
    if options.store:
        store = configuration.works.store.model_copy(update={"folder": options.store})
        works = configuration.works.model_copy(update={"store": store})
        configuration = configuration.model_copy(update={"works": works})
    with hold(configuration.works.store, lines, time.time()):
        damage = examine(configuration)
        faults = damage.faults
        for fault in faults:
            print(fault)
        print(f"{len(faults)} faults: damaged. {RESTORE}" if faults else "intact", flush=True)
        if options.quick or not damage.is_comparable:
            return 1 if faults else 0
        work = options.work_dir or Path(configuration.works.store.folder) / work_folder.NAME
        results = [make_again(configuration, line, work, damage, options.digests) for line in lines]
    if not options.lines:
        results += _without_file(configuration, work, damage, options.digests)
    reasons = "; ".join(f"{table.name} ({reason})" for table, reason in NOT_COMPARED.items())
    print(f"Tables that cannot be compared: {reasons}.")
    if not all(results) and not faults:
        print(LEAVE)
    return 0 if all(results) and not faults else 1


def _without_file(configuration: Configuration, work: Path, damage: Damage, digests: bool) -> Iterator[bool]:
    """The same for lines that are on record and that no file of the configuration describes any more."""
    try:
        found = lines_without_file(configuration)
    except SQLAlchemyError as error:
        print(f"lines on record: cannot be read ({why(error)})")
        yield False
        return
    for line, described in found.items():
        if described is None:
            print(f"{line}: on record, and described neither there nor by a file: not compared. Put its file back.")
            yield False
            continue
        print(
            f"{line}: no file describes it any more; it is made again as revision {described.revision} on record has it"
        )
        known = configuration.model_copy(update={"lines": dict(configuration.lines) | {line: described}})
        with hold(configuration.works.store, [line], time.time()):
            yield make_again(known, line, work, damage, digests)


def lines_without_file(configuration: Configuration) -> dict[str, Line | None]:
    """Lines on record that the configuration does not have, each as its newest revision on record describes it."""
    found: dict[str, Line | None] = {}
    engine = open_for_reading(configuration.works.store)
    try:
        with engine.connect() as connection:
            names = set(connection.execute(select(LEDGER.c.line).union(select(DRUM.c.line))).scalars())
            for name in sorted(names - set(configuration.lines)):
                described = [k.content for k in lines_on_record(connection, name) if isinstance(k.content, Line)]
                found[name] = described[-1] if described else None
    finally:
        engine.dispose()
    return found


def _lines(configuration: Configuration, chosen: str | None) -> list[str]:
    lines = chosen.split(",") if chosen else list(configuration.lines)
    unknown = sorted(set(lines) - set(configuration.lines))
    if unknown:
        raise ValueError(f"--lines: no line {', '.join(unknown)}; this plant has {', '.join(configuration.lines)}")
    return lines


def make_again(configuration: Configuration, line: str, work: Path, damage: Damage, digests: bool) -> bool:
    """Rebuild a line's record from its messages and print the comparison; whether it is equal.

    CannotRunError where the work folder has no room for it.
    """
    try:
        with work_folder.work_folder(work, room_bytes(configuration, line)) as folder:
            made = rebuild(configuration, line, folder, damage)
    except (SQLAlchemyError, OSError, ValueError, msgspec.MsgspecError) as error:
        print(f"{line}: cannot be made again from its messages ({why(error)})")
        return False
    _print(line, made, digests)
    return made.is_equal


def _print(line: str, made: RebuiltLine, digests: bool) -> None:
    state = _state(made.differences) + (", as far as it can be compared" if made.not_compared else "")
    utc = "" if made.first_ms is None else time.strftime("%Y-%m-%d %H:%M:%S", time.gmtime(made.first_ms / 1e3))
    since = f" since {utc} UTC" if utc else ""
    print(
        f"{line}: {made.messages} messages{since} make {made.rows} rows, {made.entries} entries "
        f"and {len(made.digests)} finished drums again: {state}"
    )
    for difference in made.differences[:SHOWN]:
        print(f"  {difference}")
    if len(made.differences) > SHOWN:
        print(f"  and {len(made.differences) - SHOWN} more")
    for hole in made.not_compared:
        print(f"  not compared: {hole}")
    for note in made.notes:
        print(f"  note: {note}")
    for drum, digest in made.digests if digests else ():
        print(f"  {drum} {digest}")


def _state(differences: Sequence[Difference]) -> str:
    if not differences:
        return "equal"
    if all(difference.is_tiny for difference in differences):
        return (
            f"equal but for {len(differences)} differences of less than {LAST_DIGITS:g}, as a line has that was "
            "rebuilt without its snapshot"
        )
    return f"{len(differences)} differences"


COMMAND = Command(SUMMARIES["doctor"], _options, _run)
