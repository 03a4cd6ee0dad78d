# Two commands: `make demo` and `make test`. Each sets everything up first, on a fresh machine too.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
DEMO_OUT ?= demo-out

.PHONY: demo test lint check tests bench bench-peers setup setup-dev lock pictures pages clean

demo: setup
	$(BIN)/graith demo --out $(DEMO_OUT)

test: setup-dev lint tests

lint: setup-dev
	$(BIN)/ruff check src tests bench
	$(BIN)/ruff format --check src tests bench
	$(BIN)/mypy
	$(BIN)/lint-imports

tests: setup-dev
	$(BIN)/pytest -n 2

bench: setup-dev bench-peers
	$(BIN)/python -m bench

# What listening is measured beside, in an environment of its own: synctoolbox wants numba below 0.66 and pandas below 3.
bench-peers: .venv-bench/.ready

.venv-bench/.ready: $(BIN)/uv requirements/bench.txt
	$(PYTHON) -m venv .venv-bench
	VIRTUAL_ENV=.venv-bench $(BIN)/uv pip install -q --require-hashes -r requirements/bench.txt
	touch $@

pictures: setup-dev
	$(BIN)/python -m bench.pictures

# Hashed exports of the whole dependency tree; names and hashes only, so that any index serves them.
lock: $(BIN)/uv
	$(BIN)/uv pip compile -q --upgrade --generate-hashes --universal --python-version 3.11 --no-annotate \
	  --custom-compile-command "make lock" requirements/setup.in -o requirements/setup.txt
	$(BIN)/uv pip compile -q --upgrade --generate-hashes --universal --python-version 3.11 --no-annotate \
	  --custom-compile-command "make lock" pyproject.toml -o requirements/run.txt
	$(BIN)/uv pip compile -q --upgrade --generate-hashes --universal --python-version 3.11 --no-annotate \
	  --custom-compile-command "make lock" --group dev -c requirements/run.txt pyproject.toml -o requirements/dev.txt
	$(BIN)/uv pip compile -q --upgrade --generate-hashes --universal --python-version 3.11 --no-annotate \
	  --custom-compile-command "make lock" requirements/bench.in pyproject.toml -o requirements/bench.txt

setup: $(VENV)/.ready
setup-dev: $(VENV)/.ready-dev

$(BIN)/uv: requirements/setup.txt
	$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Graith needs Python 3.11 or later.")'
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install -q --disable-pip-version-check --require-hashes -r requirements/setup.txt
	touch $@

$(VENV)/.ready: $(BIN)/uv requirements/run.txt pyproject.toml
	VIRTUAL_ENV=$(VENV) $(BIN)/uv pip install -q --require-hashes -r requirements/run.txt
	VIRTUAL_ENV=$(VENV) $(BIN)/uv pip install -q --no-deps --no-build-isolation -e .
	touch $@

$(VENV)/.ready-dev: $(BIN)/uv requirements/run.txt requirements/dev.txt pyproject.toml
	VIRTUAL_ENV=$(VENV) $(BIN)/uv pip install -q --require-hashes -r requirements/dev.txt
	VIRTUAL_ENV=$(VENV) $(BIN)/uv pip install -q --no-deps --no-build-isolation -e .
	touch $@ $(VENV)/.ready

# Pages made by the program: the commands' own help and the schemas of set files and rulebooks.
pages: setup-dev
	$(BIN)/python -m graith.cli.describe > docs/commands.md

clean:
	rm -rf $(VENV) .venv-bench $(DEMO_OUT) build dist .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache
