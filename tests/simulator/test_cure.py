"""True cure of a run, by the solver that shares nothing with the monitor's."""

from pathlib import Path

import pytest

from simulator import cure
from simulator.line import simulate
from simulator.scenario import load_scenario
from tests.simulator.made import CONFIGS, START_S, configuration
from tests.simulator.test_heat import CASES


def test_cure_of_a_clean_run_is_that_of_the_steady_case() -> None:
    """core-2g5 at 230 m/min, with ovens at their setpoints but for control's unrest, is the case steady_2.5_230."""
    scenario = load_scenario(CONFIGS, "clean", configuration())
    run = simulate(scenario, configuration(), "core-1", START_S)
    for _ in run.messages(until_s=120.0):
        pass
    metres = cure.every(run, 20.0)
    cured = cure.cure(run, metres)
    assert cured.index_inner == pytest.approx(CASES["steady_2.5_230"]["outputs"]["cure_index_inner"], rel=0.03)
    with pytest.raises(ValueError, match="take-up"):
        cure.cure(run, metres + 300.0)


def test_a_stop_makes_two_scraps(tmp_path: Path) -> None:
    """What stood in the shock oven is overheated; what stood in the open before any oven has done its work is cold."""
    scenario = load_scenario(CONFIGS, "stop-60s", configuration())
    run = simulate(scenario, configuration(), "core-1", START_S)
    for _ in run.messages(until_s=420.0):
        pass
    metres = cure.every(run, 1.0)
    cured = cure.cure(run, metres)
    limits = run.recipe.cure
    assert limits is not None
    assert (cured.peak_C > limits.surface_max_C).sum() >= 4
    assert (cured.index_inner < limits.index_min).sum() >= 1
    cure.write(run, tmp_path)
    assert (tmp_path / "core-1-cure.parquet").is_file()
