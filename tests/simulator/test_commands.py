"""Commands of the simulator: each that is installed has its line in the help, in its own words."""

from importlib.metadata import entry_points

from simulator.commands import SUMMARIES


def test_every_command_of_the_simulator_is_described_by_what_it_says_itself():
    installed = {
        e.name: e.load().summary for e in entry_points(group="everymetre.commands") if e.module.startswith("simulator")
    }
    assert installed == SUMMARIES
