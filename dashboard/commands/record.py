"""The command `everymetre record`: the record of one drum or reel as a sheet of text, as JSON or as PDF."""

import sys
import time
from argparse import ArgumentParser, Namespace
from pathlib import Path
from textwrap import wrap

import msgspec

from dashboard.commands import SUMMARIES
from dashboard.print.pdf import pdf
from dashboard.print.sheet import Sheet, SheetTable, sheet_of
from monitor.contract.command import CannotRunError, Command
from monitor.contract.config.load import load
from monitor.contract.reading import DrumRow
from monitor.evidence.release_record import record
from monitor.evidence.source import EvidenceSource, drum_meant
from monitor.evidence.whole_drum import whole_drum
from monitor.store.reader import StoreReader

WIDTH = 100


def _options(parser: ArgumentParser) -> None:
    parser.add_argument("line", metavar="LINE", help="the line on which the drum was wound")
    parser.add_argument("drum", metavar="DRUM", nargs="?", help="drum name; the newest filling of that name")
    parser.add_argument("--filling", type=int, metavar="N", help="the filling of the line, instead of a name")
    parser.add_argument("--json", action="store_true", help="print JSON")
    parser.add_argument("--pdf", type=Path, metavar="FILE", help="write a PDF on A4")
    parser.add_argument(
        "--configs", type=Path, default=Path("configs"), metavar="DIR", help="configuration folder (default: configs)"
    )
    parser.add_argument("--store", metavar="DIR", help="folder of the record (overrides works.toml)")


def text_of(sheet: Sheet) -> str:
    """The sheet as lines of text, at most `WIDTH` wide but for tables."""
    facts = [f"{name + ':':<12} {value}" for name, value in sheet.facts]
    decided = wrap(sheet.decided, WIDTH) if sheet.decided else []
    parts = [sheet.title, *decided, *wrap(sheet.proposed, WIDTH), "", *facts]
    for block in sheet.tables:
        parts += ["", block.caption, *_rows(block)]
    lines = [line for text in (*sheet.statements, sheet.caution) for line in wrap(text, WIDTH)]
    return "\n".join([*parts, "", *lines])


def _rows(block: SheetTable) -> list[str]:
    if not block.rows:
        return [f"  {block.empty or 'Nothing.'}"]
    cells = [block.head, *block.rows]
    widths = [max(len(row[i]) for row in cells) for i in range(len(block.head))]
    numeric = set(block.numeric)

    def aligned(row: tuple[str, ...]) -> str:
        columns = [c.rjust(w) if i in numeric else c.ljust(w) for i, (c, w) in enumerate(zip(row, widths, strict=True))]
        return ("  " + "  ".join(columns)).rstrip()

    return [aligned(row) for row in cells]


def _found(source: EvidenceSource, options: Namespace) -> DrumRow:
    lines = source.configuration.lines
    if options.line not in lines:
        raise CannotRunError(f"no line {options.line}; this plant has {', '.join(lines)}")
    if (options.drum is None) == (options.filling is None):
        raise CannotRunError("name a drum, or a filling by --filling N")
    if options.filling is not None:
        found, what = drum_meant(source, options.line, filling=options.filling), f"filling {options.filling}"
    else:
        found, what = drum_meant(source, options.line, name=options.drum), f"drum {options.drum}"
    if found is None:
        raise CannotRunError(f"no {what} of line {options.line} on record: see the page Drums")
    return found


def _run(options: Namespace) -> int:
    try:
        configuration = load(options.configs)
        store = configuration.works.store
        if options.store:
            store = store.model_copy(update={"folder": options.store})
        source = EvidenceSource(StoreReader(store, configuration), configuration, time.time)
        drum = whole_drum(source, _found(source, options))
        found = record(source, drum)
        sheet = sheet_of(source, found)
        if options.pdf:
            options.pdf.write_bytes(pdf(sheet, drum))
            print(f"wrote {options.pdf}")
    except (OSError, ValueError) as error:
        print(error, file=sys.stderr)
        return 2
    if options.json:
        print(msgspec.json.format(msgspec.json.encode(found)).decode())
    elif not options.pdf:
        print(text_of(sheet))
    return 0


COMMAND = Command(SUMMARIES["record"], _options, _run)
