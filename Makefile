# The two commands of the README, and the checks behind them. Everything is installed into .venv.
PYTHON ?= python3
VENV := .venv
SPARK := .venv-spark
# Small models run many times slower when every one of them starts threads of its own.
export OPENBLAS_NUM_THREADS := 1
export OMP_NUM_THREADS := 1
# What is imported is compiled once and kept, also where the environment says otherwise, as many containers do: else
# each of the hundreds of processes of a run compiles all it imports again.
unexport PYTHONDONTWRITEBYTECODE
BIN := $(VENV)/bin
# A lock names everything, so nothing is looked for beside it and no later release can change what is installed. What
# comes as source only is built by the setuptools of .ci/build.lock, which goes in first. What is imported is compiled
# then; to compile all of it here takes as long as the tests of a folder.
INSTALL := -m pip install --quiet --no-compile --require-hashes --no-deps --no-build-isolation
# A test of a warehouse waits for the disk, to which all it writes is forced, for longer than it works. So its files lie in
# memory where 8 GB of it are free; those of `make proof`, and of a test run by itself, lie on the disk.
IN_MEMORY := $(shell { [ "$$(awk '/^MemAvailable/ {print $$2}' /proc/meminfo)" -gt 8000000 ] \
	&& [ "$$(df -k --output=avail /dev/shm | tail -n 1)" -gt 8000000 ] \
	&& ! grep -q ' /dev/shm .*noexec' /proc/mounts && echo PYTEST_DEBUG_TEMPROOT=/dev/shm; } 2>/dev/null)
# Two processes more than two processors: a test often waits, for a browser, a disk or a command.
ALL_TESTS := $(IN_MEMORY) $(BIN)/python -m pytest -m "not slow and not benchmark" -n 4 --dist loadfile \
	--no-loadscope-reorder -o tmp_path_retention_policy=failed

.PHONY: help demo test tested coverage check compiled sail proof fuzz bench spark weaknesses clean

help:
	@echo "make demo   install, make an invented cohort, load it, print the answer, write a report"
	@echo "make test   install what the tests need and run them all"
	@echo "make coverage  the same tests, and which lines they reach"
	@echo "make check  style, types and layers only"
	@echo "make sail   the cluster route on an engine that needs no Java (part of make test)"
	@echo "make proof  the slow simulations and fault suites"
	@echo 'make fuzz   inputs led by coverage: make fuzz DOOR="text files" SECONDS=600'
	@echo "make bench  the benchmark table"
	@echo "make weaknesses  known weaknesses of what is installed; before every release"
	@echo "make spark  the cluster route on a real Spark master and two workers (needs Java 17)"

$(VENV)/begun: .ci/build.lock
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Menton needs Python 3.11 or newer; say make PYTHON=python3.12, for example")'
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python $(INSTALL) -r .ci/build.lock
	@touch $@

$(VENV)/made: requirements.lock pyproject.toml $(VENV)/begun
	$(BIN)/python $(INSTALL) -r requirements.lock
	$(BIN)/python -m pip install --quiet --no-deps --no-build-isolation -e .
	@touch $@

# What the tests need beyond that, so that a second process can put it in meanwhile.
$(VENV)/beside: requirements.lock requirements-dev.lock $(VENV)/begun
	grep -vxFf requirements.lock requirements-dev.lock > $@.txt
	$(BIN)/python $(INSTALL) -r $@.txt
	@touch $@

$(VENV)/made-for-tests: requirements-dev.lock requirements-alone.lock $(VENV)/made $(VENV)/beside
	$(BIN)/python $(INSTALL) -r requirements-dev.lock
	$(BIN)/python $(INSTALL) -r requirements-alone.lock
	@touch $@

weaknesses:
	sh .ci/weaknesses.sh

demo: $(VENV)/made
	$(BIN)/menton demo

check: $(VENV)/made-for-tests
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

# Every test is read once, alone: what it compiles is kept, and the processes of a run do not all compile the same.
compiled: $(VENV)/made-for-tests
	@$(BIN)/python -m pytest --collect-only -qq > $(VENV)/collected || { cat $(VENV)/collected; exit 1; }

tested: compiled
	$(ALL_TESTS) --durations=15

# No processor stands idle: two install; then the tests are read and run, and the cluster's engine and the types, which
# take one for less than a minute each, go beside.
test:
	$(MAKE) -j 2 $(VENV)/made-for-tests $(VENV)/sail/made
	sh tests/install_browser.sh $(BIN)/python
	$(MAKE) -j 3 tested sail check

# The same tests, watched line by line, which takes half as long again; fails below the share that pyproject.toml asks for.
coverage: $(VENV)/made-for-tests
	sh tests/install_browser.sh $(BIN)/python
	$(ALL_TESTS) --cov --cov-report=term

# The client of pysail lies apart: Great Expectations looks for pyspark and ends the program where it finds a part of it.
$(VENV)/sail/made: .ci/sail.lock $(VENV)/begun
	$(BIN)/python $(INSTALL) --upgrade --target $(VENV)/sail -r .ci/sail.lock
	@touch $@

sail: $(VENV)/sail/made $(VENV)/made-for-tests
	PYTHONPATH=$(VENV)/sail SPARK_HOME=$(VENV)/sail $(BIN)/python -m pytest tests/warehouse/engine/test_sail.py

# First the faults and the attacks that lie beside what they attack, which write tests/faults/totals.md; the simulations
# come last and print their table.
ATTACKS := tests/dashboard/test_gate.py tests/dashboard/test_command.py tests/warehouse/test_records_beside.py \
	tests/pipelines/test_refused_requests.py tests/warehouse/leaving/test_left.py tests/warehouse/pooled/test_readers.py
proof: $(VENV)/made-for-tests
	MENTON_KEEP_TOTALS=tests/faults/totals.md $(BIN)/python -m pytest tests/faults $(ATTACKS) -n 2
	$(BIN)/python -m pytest -m slow -n 2 $(addprefix --ignore=,tests/faults tests/proof $(ATTACKS))
	$(BIN)/python -m pytest -m slow -s tests/proof

# The doors are those of tests/faults/fuzzing.py. The library lies in an environment of its own, beside the locked one.
SECONDS ?= 600
DOOR ?= mapping files
fuzz: $(VENV)/made-for-tests
	$(BIN)/python $(INSTALL) --target $(VENV)/fuzzing -r .ci/fuzzing.lock
	PYTHONPATH=$(VENV)/fuzzing $(BIN)/python -m tests.faults.fuzz_by_coverage "$(DOOR)" -max_total_time=$(SECONDS)

# What an ingest is measured against lies apart: tests/benchmarks/ingest_peers.py alone looks there.
$(VENV)/benching/made: .ci/benching.lock $(VENV)/made-for-tests
	$(BIN)/python $(INSTALL) --upgrade --target $(VENV)/benching -r .ci/benching.lock
	@touch $@

# Writes tests/benchmarks/results.md. MENTON_BENCH_LARGEST=10000000 goes on to ten million cases.
bench: $(VENV)/benching/made
	MENTON_BENCH_KEEP=1 $(BIN)/python -m pytest tests/benchmarks -m benchmark -s

# pyspark takes half a gigabyte and is only needed here, so it has an environment of its own.
$(SPARK)/made: .ci/build.lock requirements-spark.lock pyproject.toml
	$(PYTHON) -m venv $(SPARK)
	$(SPARK)/bin/python $(INSTALL) -r .ci/build.lock
	$(SPARK)/bin/python $(INSTALL) -r requirements-spark.lock
	$(SPARK)/bin/python -m pip install --quiet --no-deps --no-build-isolation -e .
	@touch $@

spark: $(SPARK)/made
	$(SPARK)/bin/python -m pytest tests/warehouse/engine -m "slow or not slow" -s

clean:
	rm -rf $(VENV) $(SPARK) menton-data menton-data.key
