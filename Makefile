# Each target makes its own .venv from a bare python3 when it is not there.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
DEMO := chassislog-demo

.PHONY: demo test lint bench clean

$(VENV)/.run: pyproject.toml
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable .
	touch $@

$(VENV)/.dev: pyproject.toml
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable '.[dev]'
	touch $@ $(VENV)/.run

demo: $(VENV)/.run
	$(BIN)/chassislog demo --out $(DEMO)

test: $(VENV)/.dev
	$(BIN)/python -m pytest

lint: $(VENV)/.dev
	$(BIN)/ruff check .
	$(BIN)/mypy

bench: $(VENV)/.dev
	$(BIN)/python -m tests.bench

clean:
	rm -rf $(VENV) $(DEMO) build dist *.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis
	find . -name __pycache__ -type d -prune -exec rm -rf {} +
