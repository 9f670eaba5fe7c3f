"""Scenario files are sound, and a fault in one is problems_of with its key and a remedy."""

from pathlib import Path

import pytest

from monitor.contract.config.load import ConfigurationError, read_folder
from simulator.line import simulate
from simulator.scenario import faults_of, load_scenario
from tests.simulator.made import CONFIGS, HEAD, START_S, configuration, made

FILES = sorted(path.stem for path in (CONFIGS / "scenarios").glob("*.toml"))

OVERTAKING = """
[[line.speed]]
at_s = 1.0
to_m_per_min = 0.0
over_s = 9.0
[[line.speed]]
at_s = 5.0
to_m_per_min = 9.0
over_s = 1.0
"""


def problems_of(script: str, start: str = "240.0", top: str = "") -> str:
    """All that is problems_of of a faulty scenario, as the check of a configuration tells it."""
    text = HEAD.format(seed=1, start=start, top=top) + script
    faults = faults_of(read_folder(CONFIGS) | {"scenarios/made.toml": text})
    return "\n".join(map(str, faults))


def test_the_scenarios_that_others_name_are_there() -> None:
    wanted = {"clean", "demo", "standard", "oven-sag", "slow-drift", "stop-60s", "shock-trip", "ramp"}
    assert wanted <= set(FILES)


@pytest.mark.parametrize("name", FILES)
def test_every_scenario_file_is_sound_and_runs(name: str) -> None:
    scenario = load_scenario(CONFIGS, name, configuration())
    for line in scenario.scripts:
        assert sum(1 for _ in simulate(scenario, configuration(), line, START_S).messages(until_s=10.0)) > 40


def test_the_check_of_the_configuration_finds_no_fault() -> None:
    assert faults_of(read_folder(CONFIGS)) == []
    assert problems_of("") == ""


def test_an_unknown_key_is_refused_with_a_remedy() -> None:
    problems = problems_of('[[line.spark]]\nkind = "random"\nper_km = 1.0\nprobabilty = 0.5\n')
    remedy = "Did you mean 'probability'? Otherwise remove it."
    assert f"scenarios/made.toml: line[1].spark[1].probabilty: is not a key known here. {remedy}" in problems


def test_several_faults_are_reported_at_once() -> None:
    script = '[[line.spark]]\nkind = "random"\n[[line.lump]]\nheight_mm = 1.0\nat_m = [1.0]\nper_km = 1.0\n'
    problems = problems_of(script)
    assert problems.count("either at_m, a list of metres, or per_km") == 2


@pytest.mark.parametrize(
    ("script", "expected"),
    [
        ('[[line.spark]]\nkind = "recurring"\n', "needs part"),
        ('[[line.spark]]\nkind = "recurring"\npart = "x"\n', "no rotating part 'x'; it has capstan-wheel"),
        ('[[line.spark]]\nkind = "recurring"\npart = "chalk-brush-roll"\n', "after the spark tester"),
        ('[[line.oven]]\nzone = "oven-c"\nkind = "trip"\nat_s = 1.0\nfor_s = 1.0\n', "no oven 'oven-c'"),
        ('[[line.oven]]\nzone = "oven-a"\nkind = "sag"\nat_s = 1.0\n', "kind 'sag' needs to_C"),
        ('[[line.upset]]\nstream = "a/b"\nat_s = 1.0\nfor_s = 1.0\nby = 1.0\n', "no stream 'a/b'"),
        ('[[line.counter]]\nkind = "slip"\nat_s = 1.0\nfor_s = 3.0\n', "kind 'slip' needs percent"),
        (OVERTAKING, "begins before the one before it ends"),
    ],
)
def test_what_cannot_be_is_refused(script: str, expected: str) -> None:
    assert expected in problems_of(script)


def test_a_period_must_end_as_it_begins() -> None:
    script = "[[line.speed]]\nat_s = 1.0\nto_m_per_min = 0.0\nover_s = 9.0\n"
    assert "must return to start_m_per_min 240" in problems_of(script, top="repeat_s = 60.0")
    late = '[[line.oven]]\nzone = "oven-a"\nkind = "trip"\nat_s = 50.0\nfor_s = 20.0\n'
    assert "an entry of oven ends at 70 s, after repeat_s 60" in problems_of(late, top="repeat_s = 60.0")


def test_lines_and_recipes_must_exist() -> None:
    text = HEAD.format(seed=1, start=240.0, top="").replace("core-1", "core-9").replace("core-2g5", "core-9g5")
    problems = "\n".join(map(str, faults_of(read_folder(CONFIGS) | {"scenarios/made.toml": text})))
    assert "no line 'core-9'; there are core-1, core-2" in problems
    assert "no recipe 'core-9g5'" in problems


def test_an_unknown_scenario_names_those_there_are(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError, match="there are clean, demo"):
        load_scenario(CONFIGS, "sunny", configuration())
    with pytest.raises(FileNotFoundError, match="there are none"):
        load_scenario(tmp_path, "sunny", configuration())
    with pytest.raises(ConfigurationError, match=r"line\[1\]\.spark"):
        made('[[line.spark]]\nkind = "random"\n')


def test_a_recipe_of_several_layers_is_refused() -> None:
    """C18. The simulator lays up cores in one layer."""
    names = ["pay-off-a", "pay-off-b", "pay-off-drain", "bow", "tape-head", "capstan", "take-up"]
    quoted = [f'"{name}"' for name in names]
    files = dict(read_folder(CONFIGS))
    files["lines/lay-1.toml"] = files["lines/lay-1.toml"].replace(
        'pay_off = ["pay-off-a", "pay-off-b", "pay-off-drain"]', f"pay_off = [{', '.join(quoted)}]"
    )
    files["recipes/laid-2x2g5.toml"] = files["recipes/laid-2x2g5.toml"].replace(
        "cores = 2", f"cores = 7\nlayers = [[{quoted[0]}], [{', '.join(quoted[1:])}]]"
    )
    problems = "\n".join(map(str, faults_of(files)))
    assert "recipe 'laid-2x2g5' lays up 7 cores; the simulator knows one layer" in problems
