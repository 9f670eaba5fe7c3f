# make run: the whole demo. make test: all tests. make check: style, types, import rules, tests. make bench: speed and memory. make soak: many seeds, and a simulated week. make disturb: kills, stops, upgrades and edits for half an hour. make mutate MODULE=...: do its own tests notice small changes? make audit: known vulnerabilities of dependencies.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/ready

.PHONY: run test check lint bench soak disturb mutate audit clean

run: $(READY)
	@exec $(BIN)/everymetre run

test: $(READY)
	$(BIN)/pytest -n auto --durations=10

check: lint test

lint: $(READY)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/everymetre check configs

bench: $(READY)
	$(BIN)/python -m tests.bench

# Long, so apart from the checks: memory, handles, log and processor over simulated hours must not grow.
soak: export HOURS ?= 168
soak: SEEDS ?= 100000
soak: $(READY)
	$(BIN)/python -m tests.world 0 $(SEEDS)
	LAW_EXAMPLES=1000 $(BIN)/pytest -q tests/shell/test_restart_law.py
	$(BIN)/python -m tests.bench soak

# Both brokers with both databases, MINUTES each, AT_ONCE of them at a time; BROKERS, DATABASES and SEED choose.
disturb: $(READY)
	$(BIN)/python -m tests.bench disturb

mutate: $(READY)
	$(BIN)/python -m tests.mutate $(MODULE) $(TESTS)

# Asks the advisory databases, so it wants the internet; pip-audit stays in an environment of its own.
audit: $(READY)
	$(PYTHON) -m venv .venv/audit
	.venv/audit/bin/python -m pip install --quiet --disable-pip-version-check pip-audit
	.venv/audit/bin/pip-audit --disable-pip --no-deps --requirement .ci/constraints.txt

clean:
	rm -rf .run $(VENV)

# Versions are those of .ci/constraints.txt, which a green run wrote; without it the ranges of pyproject.toml hold.
$(READY): pyproject.toml $(wildcard .ci/constraints.txt)
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "everymetre needs Python 3.11 or newer, $(PYTHON) is $$($(PYTHON) --version 2>&1). Say which to use: make PYTHON=python3.12 $(MAKECMDGOALS)"; exit 1; }
	@rm -rf everymetre.egg-info  # of an earlier build backend: it would hide commands that came since
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check $(addprefix -c ,$(wildcard .ci/constraints.txt)) -e '.[dev]'
	@touch $@
