# Every short command there is. Each sets up what it needs: `make demo` and `make test` work on a fresh machine
# with Python 3.11 and apt.
PYTHON ?= python3.11
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed
LISTENER := $(VENV)/.listener
# Two at a time: the listener is compiled, and the first tests run, while mypy reads everything with one core.
MAKEFLAGS += --jobs=2
FUZZ_SECONDS ?= 60
FUZZ_TARGETS := line csv bin pcapng edges-csv edges-vcd readings events site

.PHONY: help setup demo test tests check bench fuzz recording docs-pictures locks hooks clean

help:  ## this list
	@grep -hE '^[a-z-]+:.*##' $(MAKEFILE_LIST) | sed -E 's/:.*## /\t/'

setup: $(STAMP) $(LISTENER)  ## the virtual environment, the packages of dev.lock, the compiled listener, Debian's chromium and tshark

$(STAMP): pyproject.toml requirements.lock dev.lock tools/setup.sh
	@PYTHON="$(PYTHON)" sh tools/setup.sh
	@touch $(STAMP)

$(LISTENER): $(STAMP)
	@echo "setup: the compiled listener, once (some 25 s)"
	@$(BIN)/python -m sidetap.line.kernel
	@touch $(LISTENER)

demo: setup  ## the whole job on one bay of an invented yard (DEMO_ARGS=--once: fast, ends by itself)
	$(BIN)/sidetap demo $(DEMO_ARGS)

test: check tests  ## everything that must hold: style, types, floors, tests

tests: setup
	$(BIN)/python -m pytest -n 2 --dist loadfile --no-loadscope-reorder $(TEST_ARGS)

check: $(STAMP)  ## style, types and floors only
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/lint-imports
	$(BIN)/mypy

bench: setup  ## speeds and shares, each beside a peer or a target (BENCH_ARGS=--full: the full tables)
	$(BIN)/python tools/bench.py $(BENCH_ARGS)

fuzz: setup  ## any bytes at every reader and at both runners, a minute each (FUZZ_SECONDS=600 for longer)
	for target in $(FUZZ_TARGETS); do \
	  NUMBA_DISABLE_JIT=1 $(BIN)/python tools/fuzz.py $$target $(FUZZ_SECONDS) || exit 1; done

recording: setup  ## four hours of the demo line, readings and edges that go with it, seeded, into recording/
	$(BIN)/python tools/make_recording.py recording

docs-pictures: setup  ## the picture of the panel and the demo's summary that the README shows
	$(BIN)/python tools/docs_pictures.py

locks:  ## resolve the dependencies again
	$(BIN)/uv pip compile -q --generate-hashes --no-header --python-version 3.11 pyproject.toml --extra demo -o requirements.lock
	$(BIN)/uv pip compile -q --generate-hashes --no-header --python-version 3.11 pyproject.toml --extra demo --extra dev -o dev.lock

hooks: setup  ## check before every commit
	$(BIN)/pre-commit install

clean:  ## all that was made
	rm -rf $(VENV) .cache build demo recording
	find src tests tools -name __pycache__ -prune -exec rm -rf {} +
