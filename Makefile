# The everyday commands. Each sets up what it needs first: a virtual environment in .venv with the
# exact versions of constraints.txt. Another interpreter: make PYTHON=python3.12 test

PYTHON ?= python3
# Test processes at a time. A number, or auto: one a core. Whole runs mostly wait: two a core.
WORKERS ?= auto
WAITING ?= $(shell $(PYTHON) -c 'import os; print(2 * (os.cpu_count() or 1))')
# More for `softwake rehearse`, such as ARGS="--fault shorted-varistor".
ARGS ?=

BIN := .venv/bin
READY := .venv/set-up-with-$(notdir $(PYTHON))

# Where a shell forbids Python to keep what it has compiled, each of some hundred processes would
# compile all of it anew.
unexport PYTHONDONTWRITEBYTECODE

.DEFAULT_GOAL := help
.PHONY: help rehearse test repeats check coverage site pictures bench campaigns torture mutants clean

help: ## this list
	@sed -n 's/^\([a-z]*\):[^#]*## /make \1\t/p' $(MAKEFILE_LIST) | expand -t 16

# Emptied when what it is made from changes, so that nothing stays behind. The build back end comes
# first and the project is built with it: pip would otherwise fetch one of its own choice.
$(READY): pyproject.toml constraints.txt
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "softwake needs Python 3.11 or newer; name one: make PYTHON=python3.12")'
	$(PYTHON) -m venv --clear .venv
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --constraint constraints.txt hatchling
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --constraint constraints.txt --no-build-isolation --editable '.[dev]'
	@touch $@

rehearse: $(READY) ## the demo run on the simulated bench
	$(BIN)/softwake rehearse $(ARGS)

# What only computes, and then whole runs in real time: of these a file's tests go to one process,
# for they look at one run, in one browser; those that take longest are begun first.
COMPUTED := -n $(WORKERS) --ignore tests/acceptance --dist worksteal
WHOLE = -n $(WAITING) tests/acceptance --dist loadfile --no-loadscope-reorder

test: $(READY) ## every test but torture
	$(BIN)/python -m pytest $(COMPUTED)
	$(BIN)/python -m pytest $(WHOLE)

repeats: $(READY) ## what `make test` leaves out of seeds and values: two minutes
	$(BIN)/python -m pytest -n $(WORKERS) -m repeat

check: $(READY) ## lint, format, types (on POSIX and on Windows), import order, unused code, spelling, site
	$(BIN)/ruff check
	$(BIN)/ruff format --check
	$(BIN)/mypy
	$(BIN)/mypy --platform win32 --cache-dir .mypy_cache/win32
	$(BIN)/lint-imports
	$(BIN)/vulture
	$(BIN)/codespell
	$(BIN)/mkdocs build --strict --quiet

coverage: $(READY) ## every test but torture, and no less of the code reached than before
	$(BIN)/python -m pytest $(COMPUTED) --cov --cov-report= --cov-fail-under=0
	$(BIN)/python -m pytest $(WHOLE) --cov --cov-append --cov-report=term

site: $(READY) ## the pages of docs/ as a site, in site/
	$(BIN)/mkdocs build --strict

pictures: $(READY) ## draw the pictures of the README again
	$(BIN)/python docs/pictures.py

campaigns: $(READY) ## the published studies again, and their tables: half an hour on two cores
	$(BIN)/python docs/campaigns.py --run

bench: $(READY) ## the performance ratios as a table
	$(BIN)/python -m benchmarks

torture: $(READY) ## kills, floods and long random walks: minutes; then the mutants: an hour
	$(BIN)/python -m pytest -m torture
	$(BIN)/python -m tests.mutants

mutants: $(READY) ## breaks the lines that decide, one at a time: do the tests notice?
	$(BIN)/python -m tests.mutants

clean: ## remove the environment and what tools left; results stay
	rm -rf .venv build dist site .coverage htmlcov .hypothesis .import_linter_cache .mypy_cache .pytest_cache .ruff_cache mutants
	find . -name .git -prune -o -name __pycache__ -type d -prune -exec rm -rf {} +
