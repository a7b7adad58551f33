# Needs git, make and Python 3.11 or newer with venv. Another Python: make PYTHON=python3.12 demo
PYTHON ?= python3
BIN := .venv/bin
INSTALL := $(BIN)/python -m pip install -q --disable-pip-version-check
LOCK := uv pip compile -q --universal --python-version 3.11 --generate-hashes --no-header --group build pyproject.toml

.PHONY: setup demo test fresh compiled check evidence bench docs frontend lock clean

setup: .venv/.runtime-stamp

demo: .venv/.runtime-stamp
	@$(BIN)/backstay demo

test: .venv/.dev-stamp fresh
	@tools/system-packages
	@$(MAKE) --no-print-directory -j2 -O check compiled
	$(BIN)/python -m pytest -n auto --dist loadfile --no-loadscope-reorder

# A compiled loop does not notice a change in another file.
fresh:
	@find src -name '*.nb[ic]' -delete

# The examples, and the loops compiled once beside the checks: the tests' processes would each compile them for themselves.
compiled: .venv/.dev-stamp
	$(BIN)/python -m pytest -q --doctest-modules src
	@$(BIN)/backstay plan examples/demo/case.toml --only --brief > /dev/null

check: .venv/.dev-stamp
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports --no-cache

evidence: .venv/.dev-stamp fresh
	$(BIN)/python tools/evidence.py --all

bench: .venv/.dev-stamp
	$(BIN)/python benchmarks/run.py
	$(BIN)/python benchmarks/learning.py
	$(BIN)/python benchmarks/report.py
	$(BIN)/python benchmarks/safety.py
	$(BIN)/python benchmarks/size.py
	$(BIN)/python benchmarks/store.py
	$(BIN)/python benchmarks/views.py
	$(BIN)/python benchmarks/workbench.py

docs: .venv/.dev-stamp
	$(BIN)/python tools/generate.py

# Compiles the pages' scripts (needs node and npm); what it writes is committed, so that nobody else needs them.
frontend: .venv/.dev-stamp docs
	cd frontend && npm ci --silent --ignore-scripts && node node_modules/typescript/bin/tsc

# Keeps the pinned versions where it can; make lock LOCK_FLAGS=--upgrade moves them.
lock:
	@command -v uv >/dev/null || { echo "make lock needs uv (pip install uv)"; exit 1; }
	$(LOCK) $(LOCK_FLAGS) -o requirements/runtime.lock
	$(LOCK) $(LOCK_FLAGS) --group dev -c requirements/runtime.lock -o requirements/dev.lock

clean:
	rm -rf .venv out build dist frontend/node_modules .mypy_cache .pytest_cache .ruff_cache .hypothesis .import_linter_cache
	find src tests tools benchmarks -name __pycache__ -type d -prune -exec rm -rf {} +

.venv/.python-stamp:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' \
		|| { echo "Backstay needs Python 3.11 or newer; choose one with: make PYTHON=python3.12 demo"; exit 1; }
	@$(PYTHON) -c 'import ensurepip, venv' 2>/dev/null \
		|| { echo "This Python has no venv; on Debian: apt-get install python3-venv"; exit 1; }
	@$(PYTHON) -m venv --clear .venv
	@touch $@

.venv/.runtime-stamp: requirements/runtime.lock pyproject.toml .venv/.python-stamp
	@echo "Installing the packages Backstay needs into .venv (once; a minute or two)"
	@$(INSTALL) --require-hashes -r requirements/runtime.lock \
		|| { echo "If a package has no build for this Python, try another: make clean; make PYTHON=python3.12 demo"; exit 1; }
	@$(INSTALL) --no-deps --no-build-isolation -e .
	@touch $@

.venv/.dev-stamp: requirements/dev.lock .venv/.runtime-stamp
	@echo "Installing the packages the tests need into .venv (once)"
	@$(INSTALL) --require-hashes -r requirements/dev.lock
	@touch $@
