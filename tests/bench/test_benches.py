"""What `make bench`, `make soak` and `make disturb` run can be started: nothing else in the checks imports it."""

from importlib import import_module

import pytest

from tests.bench.__main__ import BENCHES, LONG


@pytest.mark.parametrize("name", BENCHES + LONG)
def test_a_bench_has_all_that_it_imports(name):
    assert callable(import_module(f"tests.bench.bench_{name}").main)
