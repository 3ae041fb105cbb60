# Slurrybook: `make` lists what there is to do. Everything needs only make and Python 3.11 or newer.

.DEFAULT_GOAL := help
.PHONY: help demo test coverage quick lint format types bench clean

# The first interpreter that is new enough and can make a virtual environment; PYTHON=... chooses another.
# 3.11 comes first: the checks run on it in CI, and the lock pins other versions of some packages for later ones.
PYTHON ?= $(shell for name in python3.11 python3.12 python3.13 python3.14 python3 python; do \
	"$$name" -c 'import sys, ensurepip, venv; sys.exit(sys.version_info < (3, 11))' 2>/dev/null \
	&& echo "$$name" && break; done)
# Names are relative, so that a folder with spaces in its path does no harm.
RUN := .venv/bin/python
INSTALLED := .venv/installed

DEMO_ARGS ?=
PYTEST_ARGS ?=
# The slow tests wait for servers, processes and browsers half the time; the quick ones do not wait.
CORES := $(shell getconf _NPROCESSORS_ONLN)
WORKERS ?= $(shell echo $$((2 * $(CORES))))
PARALLEL = -n $(WORKERS) --dist worksteal
BENCH ?= *
BENCH_ARGS ?=

help: ## List these targets
	@sed -n 's/^\([a-z]*\):.*## \(.*\)/  make \1|\2/p' Makefile | while IFS='|' read -r target text; do \
		printf '%-14s %s\n' "$$target" "$$text"; done

demo: $(INSTALLED) ## Fill a database with an invented shop, print its figures, then serve the site
	$(RUN) manage.py migrate
	$(RUN) manage.py demo $(DEMO_ARGS)

quick: WORKERS = $(CORES)
quick: lint types ## Run the checks for each commit: style, types and the tests that take no seconds
	$(RUN) -m pytest -m "not slow" $(PARALLEL) $(PYTEST_ARGS)

test: lint types ## Run every check, then all tests; PYTEST_ARGS="-k word" chooses some
	DATABASE_URL=sqlite://:memory: $(RUN) manage.py makemigrations --check --dry-run
	DATABASE_URL=sqlite://:memory: $(RUN) manage.py check --fail-level WARNING
	$(RUN) -m tests.on_postgresql $(if $(PYTEST_ARGS),--may-be-empty) $(PARALLEL) $(PYTEST_ARGS)
	$(RUN) -m pytest $(PARALLEL) $(PYTEST_ARGS)

coverage: $(INSTALLED) ## Run all tests on SQLite and show which lines none of them reaches
	$(RUN) -m pytest --cov --cov-report=term $(PARALLEL) $(PYTEST_ARGS)

lint: $(INSTALLED) ## Check style, layout and which module may import which
	$(RUN) -m ruff check
	$(RUN) -m ruff format --check
	.venv/bin/lint-imports

format: $(INSTALLED) ## Put code into the agreed layout
	$(RUN) -m ruff check --fix
	$(RUN) -m ruff format

types: $(INSTALLED) ## Check types
	$(RUN) -m mypy

bench: $(INSTALLED) ## Run the benchmarks; BENCH=name chooses one, BENCH_ARGS=--tiny only tries them
	@set -e; for script in tests/benchmarks/$(BENCH).py; do \
		grep -q "^def main(" "$$script" || continue; \
		name=$${script##*/}; echo "== $${name%.py}"; $(RUN) -m "tests.benchmarks.$${name%.py}" $(BENCH_ARGS); done

clean: ## Remove what these targets can make again; databases stay
	rm -rf .venv .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache .coverage htmlcov staticfiles
	find . -name __pycache__ -type d -prune -exec rm -rf {} +

$(INSTALLED): requirements.lock
	@test -n "$(PYTHON)" || { echo "No Python 3.11 or newer with venv and pip was found;" \
		"install one (on Debian: apt-get install python3 python3-venv) or say make PYTHON=/path/to/python3." >&2; exit 1; }
	"$(PYTHON)" -m venv .venv
	@echo "Installing the locked packages, which takes a minute or two"
	$(RUN) -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	@touch $@
