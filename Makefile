# Needs python3 (3.11 or newer, with venv), make and git; everything else is installed into .venv once.
#   make demo              the whole job on the invented site (no PyTorch)
#   make test              every test; LEARNING=0 leaves PyTorch and its tests out
#   make check             lint, format, strict types, import rule
#   make bench NAME=demo   figures of merit, one JSON line each; FULL=1 runs every seed
#   make figures           the pictures of the README
#   make reference         docs/reference from the program itself
PYTHON ?= python3
LEARNING ?= 1
ARGS ?=
NAME ?=
FULL ?=
BIN := .venv/bin
PIP := $(BIN)/python -m pip --disable-pip-version-check install --quiet -c constraints.txt

test_needs := .venv/dev.stamp
ifneq ($(LEARNING),0)
test_needs += .venv/learning.stamp
endif

.PHONY: demo test check bench figures reference clean

demo: .venv/base.stamp
	$(BIN)/swardwright demo $(ARGS)

test: $(test_needs)
	$(BIN)/python -m pytest -n 2 $(ARGS)

check: .venv/dev.stamp
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/python -m pytest tests/test_import_rule.py

bench: $(test_needs)
	NAME="$(NAME)" FULL="$(FULL)" $(BIN)/python -m benchmarks

figures: .venv/base.stamp | demo-site
	$(BIN)/python -m swardwright.shell.figures docs/images

demo-site: | .venv/base.stamp
	$(BIN)/swardwright demo --site demo-site

reference: .venv/base.stamp
	$(BIN)/python -m swardwright.shell.reference docs/reference

.venv/made.stamp:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Swardwright needs Python 3.11 or newer; name one with: make PYTHON=python3.12")'
	@$(PYTHON) -m venv .venv || { echo "python3 -m venv failed; on Debian and Ubuntu: apt install python3-venv" >&2; exit 1; }
	touch $@

.venv/base.stamp: .venv/made.stamp pyproject.toml constraints.txt
	$(PIP) -e .
	touch $@

.venv/dev.stamp: .venv/base.stamp
	$(PIP) -e '.[dev]'
	touch $@

.venv/learning.stamp: .venv/base.stamp
	$(PIP) -e '.[learning]'
	touch $@

clean:
	rm -rf .venv build dist .mypy_cache .ruff_cache .pytest_cache .hypothesis demo-site
