# make app    install what it takes to run, and open the pages
# make demo   install what it takes to run, and grade the demo photos
# make test   install what it takes to work on it, and check everything
# make lint   only style and types
# make hostile the attacks of tests/hostile at full size: five times as many, some minutes
# make lock   renew the lock files after a change of pyproject.toml
# Everything lands in .venv; nothing is installed elsewhere.

VENV := .venv
BIN := $(VENV)/bin
PIP := $(BIN)/python -m pip --disable-pip-version-check
# The newest Python that fits: 3.11 or later.
PYTHON ?= $(shell for p in python3.13 python3.12 python3.11 python3 python; do \
	$$p -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null && { echo $$p; break; }; done)

.PHONY: app demo test lint hostile lock clean

app: $(VENV)/.installed-run
	$(BIN)/cuproscope app

demo: $(VENV)/.installed-run
	$(BIN)/cuproscope grade fixtures/demo --overlay out/demo || test $$? -eq 4
	@echo
	@echo "The answers are drawn on the photos in out/demo"

test: lint
	$(BIN)/python -m pytest

hostile: $(VENV)/.installed-dev
	CUPROSCOPE_HOSTILE=5 $(BIN)/python -m pytest tests/hostile

lint: $(VENV)/.installed-dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

$(BIN)/python:
	@test -n "$(PYTHON)" || { echo "Python 3.11 or later is needed; install it first"; exit 1; }
	$(PYTHON) -m venv $(VENV)

$(VENV)/.installed-run: requirements.lock pyproject.toml | $(BIN)/python
	$(PIP) install --quiet --require-hashes -r requirements.lock
	@# setuptools warns of every editable install; it is meant here.
	PYTHONWARNINGS=ignore $(PIP) install --quiet --no-deps --no-build-isolation -e .
	@touch $@

$(VENV)/.installed-dev: requirements-dev.lock pyproject.toml | $(BIN)/python
	$(PIP) install --quiet --require-hashes -r requirements-dev.lock
	@# setuptools warns of every editable install; it is meant here.
	PYTHONWARNINGS=ignore $(PIP) install --quiet --no-deps --no-build-isolation -e .
	@touch $@ $(VENV)/.installed-run

COMPILE := CUSTOM_COMPILE_COMMAND="make lock" $(BIN)/pip-compile --quiet --upgrade \
	--generate-hashes --allow-unsafe --strip-extras --no-annotate \
	--no-emit-index-url --no-emit-trusted-host --no-emit-find-links

lock: $(VENV)/.installed-dev
	$(COMPILE) --output-file requirements.lock pyproject.toml requirements.in
	$(COMPILE) --extra dev --constraint requirements.lock \
		--output-file requirements-dev.lock pyproject.toml requirements.in

clean:
	rm -rf $(VENV) out build *.egg-info
