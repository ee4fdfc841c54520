# The two commands of the README, and the checks behind them. Everything is installed into .venv.
PYTHON ?= python3
VENV := .venv
# Small models run many times slower when every one of them starts threads of its own.
export OPENBLAS_NUM_THREADS := 1
export OMP_NUM_THREADS := 1
BIN := $(VENV)/bin

.PHONY: help demo test check proof bench clean

help:
	@echo "make demo   install, make an invented cohort, load it, print the answer, write a report"
	@echo "make test   install what the tests need and run them all"
	@echo "make check  style, types and layers only"
	@echo "make proof  the slow simulations and fault suites"
	@echo "make bench  the benchmark table"

$(VENV)/made: requirements.lock pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Menton needs Python 3.11 or newer; say make PYTHON=python3.12, for example")'
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --no-deps --no-build-isolation -e .
	@touch $@

$(VENV)/made-for-tests: requirements-dev.lock requirements-alone.lock $(VENV)/made
	$(BIN)/python -m pip install --quiet --require-hashes -r requirements-dev.lock
	$(BIN)/python -m pip install --quiet --require-hashes --no-deps -r requirements-alone.lock
	@touch $@

demo: $(VENV)/made
	$(BIN)/menton demo

check: $(VENV)/made-for-tests
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

test: check
	sh tests/install_browser.sh
	$(BIN)/python -m pytest -m "not slow and not benchmark" -n 2 --dist loadfile --cov --cov-report=term --durations=15

proof: $(VENV)/made-for-tests
	$(BIN)/python -m pytest -m slow -s

bench: $(VENV)/made-for-tests
	$(BIN)/python -m pytest -m benchmark -s

clean:
	rm -rf $(VENV) menton-data menton-data.key
