"""CPU time of the tests, with what their processes took: where to begin when the checks take too long."""

import resource
from collections import Counter
from collections.abc import Generator

import pytest

CPU_S = "cpu_s"
LISTED = 40


def spent_s() -> float:
    """CPU time of this process and of its children that have ended."""
    both = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(used.ru_utime + used.ru_stime for used in both)


class CpuTime:
    """A plugin: each phase of a test takes what was spent since the last, and the sums come after the tests."""

    def __init__(self) -> None:
        self.by_test: Counter[str] = Counter()
        self.before_s = spent_s()

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_makereport(self) -> Generator[None, pytest.TestReport, pytest.TestReport]:
        report = yield
        now_s = spent_s()
        report.user_properties.append((CPU_S, now_s - self.before_s))
        self.before_s = now_s
        return report

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """With workers, on the process that collects their reports."""
        for name, value in report.user_properties:
            if name == CPU_S:
                self.by_test[report.nodeid] += float(str(value))  # type: ignore[assignment]  # a Counter holds any number

    def sums(self) -> Counter[str]:
        """By file, or by test where all are of one file."""
        by_file: Counter[str] = Counter()
        for test, cpu_s in self.by_test.items():
            by_file[test.partition("::")[0]] += cpu_s
        return by_file if len(by_file) > 1 else self.by_test

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        if terminalreporter.config.option.durations:
            terminalreporter.section(f"CPU time, {self.by_test.total():.0f} s in all")
            for what, cpu_s in self.sums().most_common(LISTED):
                terminalreporter.write_line(f"{cpu_s:7.1f} s  {what}")
