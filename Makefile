# One name per thing to do. `make` alone lists them.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed
MIN_PYTHON := 3.11

# Python keeps the modules that it compiles as they are first used.
unexport PYTHONDONTWRITEBYTECODE

.DEFAULT_GOAL := help
.PHONY: help setup demo serve test faults check bench lock clean

help: ## list what can be made
	@grep -E '^[a-z]+:.*## ' $(MAKEFILE_LIST) | sed -E 's/:.*## /\t/' | expand -t 10

setup: $(STAMP) ## make .venv from requirements.lock; again only when the lock or pyproject.toml changes

$(STAMP): requirements.lock pyproject.toml
	@command -v $(PYTHON) >/dev/null || { \
		echo "There is no $(PYTHON). Install Python $(MIN_PYTHON) or newer, or name one: make $(MAKECMDGOALS) PYTHON=python3.12" >&2; exit 1; }
	@$(PYTHON) -c 'import sys; need = tuple(map(int, "$(MIN_PYTHON)".split("."))); \
		sys.exit(0 if sys.version_info >= need else "$(PYTHON) is Python %d.%d; $(MIN_PYTHON) or newer is needed. Name one: make $(MAKECMDGOALS) PYTHON=python3.12" % sys.version_info[:2])'
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV) || { \
		rm -rf $(VENV); echo "$(PYTHON) can't make a virtual environment. Install its venv package (on Debian: python3-venv)." >&2; exit 1; }
	@echo "Installing what requirements.lock names into $(VENV)."
	@sed -n '/^uv==/,/[^\\]$$/p' requirements.lock > $(VENV)/uv.txt
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r $(VENV)/uv.txt
	@$(BIN)/uv pip install --quiet --python $(BIN)/python --no-deps --require-hashes -r requirements.lock || { \
		echo "uv could not install them (it heeds UV_DEFAULT_INDEX and the like, not pip's settings); pip does, in some minutes."; \
		$(BIN)/python -m pip install --quiet --no-compile --disable-pip-version-check --no-deps --require-hashes -r requirements.lock; }
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps -e .
	@echo "Compiling the engine's loops; this takes a minute or two."
	@$(BIN)/python -m worker.warm_up
	@touch $(STAMP)

demo: $(STAMP) ## start the service, send it every sample, print a table; results in build/demo/
	$(BIN)/maskwright demo

serve: $(STAMP) ## run the service until Ctrl-C
	$(BIN)/maskwright serve

test: $(STAMP) ## run the whole test suite
	$(BIN)/python -m pytest

faults: $(STAMP) ## kill, stop and starve the running service, longer than `make test` does
	WHOLE_SWEEPS=1 $(BIN)/python -m pytest tests/faults

check: $(STAMP) ## lint, types and import rules
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports

bench: $(STAMP) ## print the ratios of speed and memory
	$(BIN)/python -m benchmarks

lock: ## write requirements.lock anew from pyproject.toml
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	@test -x $(BIN)/uv || $(BIN)/python -m pip install --quiet --disable-pip-version-check uv
	$(BIN)/uv pip compile --quiet --universal --python-version $(MIN_PYTHON) --extra dev --extra cxf --generate-hashes \
		--no-emit-index-url --no-emit-find-links --custom-compile-command "make lock" \
		-o requirements.lock pyproject.toml

clean: ## remove what was built and the caches; .venv and the service's data stay
	rm -rf build *.egg-info .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache
	find service worker tests benchmarks -name __pycache__ -type d -prune -exec rm -rf {} +
