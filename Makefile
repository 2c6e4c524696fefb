# Two commands on a fresh machine: `make demo` and `make test`. The rest is for working on the house.
# Without make: the plain lines stand in README.md.

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
PORT ?= 8000
FRESH ?= 0
FAULT_SCALE ?= 8
UV := $(shell command -v uv 2>/dev/null)
RUN_STAMP := $(VENV)/.installed
DEV_STAMP := $(VENV)/.installed-dev

.PHONY: setup demo test check format storm bench kills browser shots lock clean

setup: $(DEV_STAMP)  ## the virtual environment with everything, tests included

$(BIN)/python:
ifneq ($(UV),)
	$(UV) venv --quiet --allow-existing --python $(PYTHON) $(VENV)
else
	$(PYTHON) -m venv $(VENV)
endif

ifneq ($(UV),)
INSTALL = VIRTUAL_ENV=$(VENV) $(UV) pip install --quiet
else
INSTALL = $(BIN)/python -m pip install --quiet --disable-pip-version-check
endif

$(RUN_STAMP): requirements.lock pyproject.toml | $(BIN)/python
	$(INSTALL) --require-hashes -r requirements.lock
	$(INSTALL) --no-deps -e .
	@touch $@

$(DEV_STAMP): requirements-dev.lock $(RUN_STAMP)
	$(INSTALL) --require-hashes -r requirements-dev.lock
	@touch $@

demo: $(RUN_STAMP)  ## loads the invented scenario (kept when there) and serves it; FRESH=1 starts afresh
ifeq ($(FRESH),1)
	$(BIN)/python manage.py demo_load --fresh
else
	$(BIN)/python manage.py demo_load
endif
	$(BIN)/python manage.py up --port $(PORT)

test: $(DEV_STAMP)  ## the suite on SQLite, shared among the processors; no service is needed
	$(BIN)/pytest -n auto

browser: $(DEV_STAMP)  ## whole journeys in Chromium
	$(BIN)/pytest -n 2 -m browser tests/browser

shots: $(DEV_STAMP)  ## the pictures of README.md, taken from the running product
	$(BIN)/python -m tests.browser.shots

kills: $(DEV_STAMP)  ## kill -9 at named fault points, two per kind
	$(BIN)/pytest -m "kills and not storm" tests

# Give DATABASE_URL and REDIS_URL as well, and it runs on PostgreSQL and Redis after SQLite and the file broker.
storm: $(DEV_STAMP)  ## kill -9 at random moments, twenty per kind (KILLS=20, SEED=... to repeat)
	FAULT_SCALE=$(FAULT_SCALE) $(BIN)/pytest -s -m storm tests/faults

bench: $(DEV_STAMP)  ## seconds and memory at 1,000, 10,000 and 100,000 units
	$(BIN)/pytest -s -m bench tests/benchmarks

check: $(DEV_STAMP)  ## format, lint, types, import contracts, Django's own checks, missing migrations
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/python manage.py check --fail-level WARNING
	$(BIN)/python manage.py makemigrations --check --dry-run

format: $(DEV_STAMP)
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

lock:  ## writes both lock files anew (needs uv)
	uv pip compile pyproject.toml --universal --generate-hashes --python-version 3.11 --no-annotate --no-header -q -o requirements.lock
	uv pip compile pyproject.toml --extra dev -c requirements.lock --universal --generate-hashes --python-version 3.11 --no-annotate --no-header -q -o requirements-dev.lock

clean:
	rm -rf $(VENV) .mypy_cache .ruff_cache .pytest_cache .import_linter_cache
