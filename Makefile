# Everything a newcomer needs: `make demo`, `make test`. Each builds its own environment below .venv.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
unexport PYTHONDONTWRITEBYTECODE  # every process would compile everything anew
# What is imported is compiled then; compiling everything while installing takes longer than the installing.
PIP := $(BIN)/python -m pip install --quiet --quiet --no-compile --disable-pip-version-check --constraint constraints.txt

.PHONY: demo test whole check format clean benchmark campaign hunt explorations night challenge kills crashes fuzz wirefaults wirefaults-real racks endurance past

demo: $(VENV)/base
	@$(BIN)/ventproof demo

test: $(VENV)/dev  ## all quick tests, and the commit's share of the costly ones
	@$(BIN)/python -m pytest --numprocesses 4 --dist loadscope --no-loadscope-reorder --share

whole: $(VENV)/dev  ## every test: a quarter of an hour on two cores; writes what each file costs
	@$(BIN)/python -m pytest --numprocesses 4 --dist loadscope --no-loadscope-reorder --costs tests/costs.json

check: $(VENV)/dev  ## lint, format and types
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

format: $(VENV)/dev
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

benchmark: $(VENV)/dev  ## ratios within one run, printed
	$(BIN)/python -m pytest tests/performance -m performance --figures .benchmark.json --compare tests/performance/figures.json $(ARGS)

campaign: $(VENV)/dev  ## the judge against known truths and all courses, like firmware compared with itself, every draft
	$(BIN)/python tests/performance/judge_campaign.py 100000 courses,hard,stories
	$(BIN)/python tests/performance/judge_campaign.py 5000 grids
	$(BIN)/python tests/performance/compare_campaign.py 200
	$(BIN)/python -m pytest tests/harness/draft/test_draft_profiles.py -m performance

hunt: $(VENV)/dev  ## every property of the suite, with cases that no run before has drawn
	$(BIN)/python -m pytest --numprocesses 2 --dist loadscope --hypothesis-profile new -m "hypothesis and not performance"

challenge: $(VENV)/base  ## the shipped suite against every fault of the mock, and against a thousand healthy variations
	$(BIN)/ventproof challenge --full --severities
	$(BIN)/ventproof challenge --variants 1000
	$(BIN)/python tests/performance/closed_loop_campaign.py

kills: $(VENV)/dev  ## 300 runs that are killed at random instants, on real wires; 20 minutes and more
	$(BIN)/python tests/performance/kill_campaign.py 300

crashes: $(VENV)/dev  ## commands whose disk, folder, descriptors, clock or process fails at random points, for ten minutes
	$(BIN)/python tests/performance/crash_campaign.py 600

fuzz: $(VENV)/dev  ## a million inputs of every kind through whole commands; hours
	$(BIN)/python tests/performance/fuzz_campaign.py 1000000

wirefaults: $(VENV)/dev  ## a hundred thousand faults of 24 kinds on the wires of runs, in virtual time: an hour on two cores
	$(BIN)/python tests/performance/wire_campaign.py 100000

wirefaults-real: $(VENV)/dev  ## two thousand of them on sockets and pseudo-terminals, in real time: a quarter of an hour
	$(BIN)/python tests/performance/wire_real.py 2000

racks: $(VENV)/dev  ## one unit alone, then eight at the same time, on sockets: verdicts, and how late polls and edges are
	$(BIN)/python tests/performance/rack_campaign.py 8

endurance: $(VENV)/dev  ## 24 virtual hours in one run and in many, and 30 real minutes: memory and descriptors stay flat
	$(BIN)/python tests/performance/endurance_campaign.py 24 30

night: $(VENV)/dev  ## 2,040 virtual runs, alone and in a lab of two workers of which one is killed: none is lost; a quarter of an hour
	$(BIN)/python tests/performance/night_campaign.py 170

past: $(VENV)/dev  ## a history of ten thousand runs, and a report of six hundred, in 300 MB
	$(BIN)/python tests/performance/past_campaign.py 10000 600

explorations: $(VENV)/dev  ## exploring, against every fault of the mock
	$(BIN)/python tests/performance/explore_campaign.py

$(VENV)/python:
	@echo "Building the environment in $(VENV), once: it takes a minute."
	@$(PYTHON) -m venv $(VENV)
	@touch $@

$(VENV)/base: $(VENV)/python pyproject.toml constraints.txt
	@$(PIP) --editable .
	@touch $@

$(VENV)/dev: $(VENV)/python pyproject.toml constraints.txt  ## holds all of base, in one go
	@$(PIP) --editable '.[dev]'
	@touch $(VENV)/base $@

clean:
	rm -rf $(VENV) .mypy_cache .ruff_cache .pytest_cache .hypothesis
