"""`everymetre verify` follows the chain of the journal."""

from sqlalchemy import delete

from monitor.__main__ import main
from monitor.store import audit_trail
from monitor.store.schema import JOURNAL
from tests.core.test_pipeline import core_line
from tests.shell.works import configs_at, processor_at, take
from tests.store.test_audit_trail import acted


def test_the_command_says_so_and_knows_a_hash_that_was_written_down(tmp_path, capsys):
    configs, *_ = configs_at(tmp_path)
    processor = processor_at(tmp_path / "run" / "store")
    take(processor, core_line(60, before=acted).sorted())
    words = ["verify", "--configs", str(configs)]
    assert main(words) == 0
    said = capsys.readouterr().out
    assert "core-1: 2 entries, intact" in said
    last = said.split()[-1]
    assert main([*words, "--expect", f"core-1={last}"]) == 0
    with processor.writer.engine.begin() as c:
        c.execute(delete(JOURNAL).where(JOURNAL.c.seq == 2))  # cut off at the end: the chain itself is sound
    assert main(words) == 0
    assert main([*words, "--expect", f"core-1={last}"]) == 1
    assert "cut off or changed" in capsys.readouterr().out
    assert audit_trail.BEGINNING == "0" * 64
