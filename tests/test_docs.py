"""README and DEVELOPERS.md are right: commands exist, tables are the code's, the numbers of its example are right."""

import re
import shlex
from importlib.metadata import entry_points
from pathlib import Path

import pytest

from monitor.contract.record import AlarmChange, Finding, MetreRows
from monitor.core.arrival import Message
from monitor.core.decode import Decoder
from tests.core.script import T0, Script, configuration, pipeline
from tests.core.test_pipeline import core_line
from tests.docs.tables import GUIDE, PAGE_ROOMS, ROOMS, filled

ROOT = GUIDE.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_tables_of_the_guide_are_those_of_the_code():
    text = GUIDE.read_text(encoding="utf-8")
    assert text == filled(text), "run `python -m tests.docs`"


def test_commands_of_the_readme_exist():
    commands_there = {e.name for e in entry_points(group="everymetre.commands")}
    targets = set(re.findall(r"^([a-z]+):", (ROOT / "Makefile").read_text(), re.MULTILINE))
    blocks = re.findall(r"```sh\n(.*?)```", README + GUIDE.read_text(), re.DOTALL)
    commands = [shlex.split(line, comments=True) for block in blocks for line in block.splitlines() if line.strip()]
    assert commands
    for words in commands:
        words = words[1:] if words and words[0] == ".venv/bin/everymetre" else words
        if words[0] == "everymetre" or words[0] in commands_there:
            name = words[1] if words[0] == "everymetre" else words[0]
            assert name in commands_there | {"--help"}, words
        if words[0] == "make":
            assert set(words[1:]) <= targets, words


def test_links_and_pictures_of_the_readme_are_there():
    for target in re.findall(r"\]\(([^)#h][^)#]*)\)", README):
        assert (ROOT / target).exists(), target


def test_the_map_names_every_room():
    for package, rooms in (("monitor", ROOMS), ("dashboard", PAGE_ROOMS)):
        assert set(rooms) == {path.parent.name for path in Path(ROOT, package).glob("*/__init__.py")}


@pytest.fixture(scope="module")
def example() -> dict:
    """The reading of DEVELOPERS.md: one hot sample of oven B, 60 s into a run."""

    def before(script: Script, s: int) -> None:
        if 60 <= s < 70:
            script.arrivals = [a for a in script.arrivals if not ("oven-b" in a.topic and a.received_s >= T0 + s)]
            script.numbers["oven-b/temperature"] -= 1
            script.send_samples("oven-b/temperature", T0 + s, [321.0, 321.0], 0.5)

    script = core_line(150, before=before)
    arrival = next(a for a in script.sorted() if "oven-b" in a.topic and a.received_s >= T0 + 60)
    c = configuration()
    message = Decoder("tarn", c.lines, c.works.wire).decode(arrival)
    engine = pipeline()
    decoder = Decoder("tarn", c.lines, c.works.wire)
    out = engine.feed([m for a in script.sorted() if isinstance(m := decoder.decode(a), Message)])
    return {"arrival": arrival, "message": message, "out": out, "engine": engine}


def test_the_example_of_one_reading_is_as_the_guide_describes_it(example):
    text = " ".join(GUIDE.read_text(encoding="utf-8").split())
    message, out = example["message"], example["out"]
    assert example["arrival"].payload.decode() in text
    assert message.body.v.tolist() == [321.0, 321.0]
    found = {f.text: f for f in out if isinstance(f, Finding) and f.check == "HI"}
    raised = next(o for o in out if isinstance(o, AlarmChange) and o.event == "raised")
    assert raised.alarm == "oven-b/temperature/HI"
    for name, f in found.items():
        assert f"{name.capitalize()}: line metre {f.start_m:.1f} to {f.end_m:.1f}" in text, (name, f.start_m, f.end_m)
    assert f"raised at {raised.t_s - T0:.1f} s" in text, raised.t_s - T0
    rows = next(o for o in out if isinstance(o, MetreRows))
    metre = int(found["pass 1"].start_m) + 20
    mean = float(rows.columns["oven-b/temperature"][metre - rows.first_m])
    assert f"row {metre} has {mean:.1f} degC" in text, (metre, mean)
