"""Records of hours of a line, kept for comparing them with what their messages make."""

import tempfile
from dataclasses import dataclass
from pathlib import Path

import pytest
from sqlalchemy import text

from monitor.contract.config.configuration import Configuration
from monitor.shell.damage import examine
from monitor.shell.doctor_rebuild import RebuiltLine, rebuild
from monitor.shell.processor import Processor
from monitor.store.database import open_for_writing
from tests.shell.law_scripts import script
from tests.shell.test_restart_law import changed, configured, run, started

LINE = "lay-1"
EDITS = {
    "line": [("edited line", 0.43)],
    "line, then recipe": [("edited line", 0.31), ("edited recipe", 0.62)],
    "recipe, then line": [("edited recipe", 0.27), ("edited line", 0.71)],
}


def edited(place: Path, seed: int, shares: list[tuple[str, float]]) -> tuple[Processor, Configuration]:
    """A record of hours whose files were edited while it was stopped, at each share of its messages."""
    arrivals, processor, begin = script(LINE, seed), started(configured(place, LINE), LINE, []), 0
    for mode, share in shares:
        end = round(share * len(arrivals))
        run(processor, arrivals[begin:end])
        processor.writer.write(processor.last_batch())
        processor.writer.close()
        processor, begin = started(changed(mode, processor.configuration, LINE), LINE, []), end
    run(processor, arrivals[begin:])
    processor.writer.write(processor.last_batch())
    return processor, processor.configuration


def made_again(configuration: Configuration, tmp_path_factory: pytest.TempPathFactory) -> RebuiltLine:
    return rebuild(configuration, LINE, tmp_path_factory.mktemp("made"))


@dataclass(frozen=True)
class Whole:
    """A record whose monitor has stopped, all but the newest in files, and what is compared of it."""

    place: Path
    configuration: Configuration
    line: str

    @property
    def hours(self) -> list[Path]:
        return sorted((self.place / "lines" / self.line).rglob("*.parquet"))

    def damaged(self, statement: str) -> None:
        engine = open_for_writing(self.configuration.works.store)
        with engine.begin() as connection:
            assert connection.execute(text(statement)).rowcount > 0
        engine.dispose()

    def remade(self) -> RebuiltLine:
        with tempfile.TemporaryDirectory(dir=self.place) as folder:
            return rebuild(self.configuration, self.line, Path(folder), examine(self.configuration))


def whole(place: Path, line: str, seed: int) -> Whole:
    arrivals, processor = script(line, seed), started(configured(place, line), line, [])
    run(processor, arrivals)
    processor.writer.write(processor.last_batch())
    processor.roll()
    processor.writer.close()
    return Whole(place, processor.configuration, line)
