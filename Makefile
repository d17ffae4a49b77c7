# make demo   set everything up in this folder and serve the demo
# make test   set up what the tests need and run them all
# make check  style, import contract, migrations, deployment check
# make bench  print how long the heavy parts take, as ratios

PYTHON ?= $(shell command -v python3.11 || command -v python3)
VENV := .venv
BIN := $(VENV)/bin
BIND ?= 127.0.0.1:8000
export OPENBLAS_NUM_THREADS := 1

.PHONY: demo test check bench services
.DEFAULT_GOAL := demo

$(BIN)/python:
	@$(PYTHON) -c 'import sys; sys.exit(0 if sys.version_info[:2] == (3, 11) else "Evenhand needs Python 3.11; found " + sys.version.split()[0] + ". Say which: make PYTHON=/path/to/python3.11")'
	$(PYTHON) -m venv $(VENV)

$(VENV)/installed: requirements.txt | $(BIN)/python
	$(BIN)/pip install --quiet --disable-pip-version-check -r requirements.txt
	@touch $@

$(VENV)/installed-dev: requirements.txt requirements-dev.txt | $(BIN)/python
	$(BIN)/pip install --quiet --disable-pip-version-check -r requirements-dev.txt
	@touch $(VENV)/installed $@

demo: $(VENV)/installed
	$(BIN)/python manage.py demo --bind $(BIND)

services:
	@tests/services/install

test: $(VENV)/installed-dev services
	$(BIN)/python -m pytest -n 2 --dist loadfile $(ARGS)

check: $(VENV)/installed-dev
	$(BIN)/ruff check .
	$(BIN)/lint-imports
	$(BIN)/python manage.py makemigrations --check --dry-run
	PUBLIC_URL=https://tests.example.org BEHIND_PROXY=1 $(BIN)/python manage.py check --deploy --fail-level WARNING

bench: $(VENV)/installed-dev
	$(BIN)/python -m tests.benchmarks
