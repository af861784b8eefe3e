# Verbs of the house; `make help` lists them. Everything happens in .venv, made on first use.
PYTHON ?= python3
VENV   ?= .venv
BIN    := $(VENV)/bin
MADE   := .made
.DEFAULT_GOAL := help
.PHONY: help setup demo test check audit unit docs bench soak clean

help: ## this list
	@awk -F':.*## ' '/^[a-z-]+:.*## /{printf "  make %-8s %s\n", $$1, $$2}' $(MAKEFILE_LIST)

$(BIN)/python:
	$(PYTHON) -c 'import sys; sys.exit(0 if sys.version_info >= (3, 11) else "coilbench needs Python 3.11 or newer; name one with: make PYTHON=/path/to/python3")'
	$(PYTHON) -m venv $(VENV)

$(MADE)/%: pyproject.toml constraints.txt | $(BIN)/python
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt -e '.[$*]'
	@mkdir -p $(MADE) && touch $@

setup: $(MADE)/dev ## make .venv with all that development needs

demo: $(MADE)/server ## measure an invented shop's recordings on this machine, no server to install
	$(BIN)/coilbench-server demo --folder demo

check: $(MADE)/dev ## format, lint, types, arrows between packages
	$(BIN)/ruff format --check client service worker tests bench docs .ci
	$(BIN)/ruff check client service worker tests bench docs .ci
	$(BIN)/mypy client/coilbench service/coilbench_service worker/coilbench_worker
	$(BIN)/lint-imports --no-cache

audit: $(MADE)/dev ## known vulnerabilities of the dependencies; fails for one, and says when they could not be asked for
	$(BIN)/python .ci/audit.py constraints.txt

test: export OPENBLAS_NUM_THREADS = 1
test: check ## every check and every test
	$(BIN)/python -m pytest -n 3 --dist loadgroup

unit: $(MADE)/dev ## only the quick tests: units and published values
	$(BIN)/python -m pytest -q tests/unit tests/standards

docs: $(MADE)/dev ## write the reference pages anew, from the tables in the code and from what the tests record
	$(BIN)/python docs/generate.py
	$(BIN)/python docs/standards.py

bench: $(MADE)/dev ## speed and memory, each as a ratio measured in one run
	$(BIN)/python -m bench

soak: $(MADE)/dev ## ten thousand more mutated files, a thousand takes with something killed all the time, requests made up by the thousand
	$(BIN)/python tests/faults/soak.py 10000 20000
	$(BIN)/python tests/faults/soak_fleet.py 1000
	$(BIN)/python -m pytest -m soak
	COILBENCH_TEST_EXAMPLES=200 $(BIN)/python -m pytest tests/faults/test_every_request.py
	COILBENCH_TEST_FIRE=20 $(BIN)/python -m pytest -s tests/faults/test_under_fire.py
	$(BIN)/python -m bench --part judgement

clean: ## forget .venv, caches and the demo's output
	rm -rf $(VENV) $(MADE) demo .pytest_cache .mypy_cache .ruff_cache .hypothesis .numba_cache build *.egg-info
