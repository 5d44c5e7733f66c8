# Two commands do everything on a machine with Python 3.11, pip and make:
#   make demo   runs the whole job on the invented sample farm
#   make test   passes everything that a change must pass

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/ready
DEMO := demo-farm
# statistics of this size are faster on one thread a process than on all
export OMP_NUM_THREADS ?= 1
export OPENBLAS_NUM_THREADS ?= 1

.PHONY: demo test check lint types imports browser tests bench characteristics torture clean

demo: $(READY)
	rm -rf $(DEMO)
	$(BIN)/farmwatch demo $(DEMO)

test: check

check: lint types imports tests

$(READY): requirements.lock pyproject.toml
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -r requirements.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --editable .
	touch $(READY)

lint: $(READY)
	$(BIN)/ruff format --check farmwatch tests benchmarks docs/*.py
	$(BIN)/ruff check farmwatch tests benchmarks docs/*.py

types: $(READY)
	$(BIN)/mypy

imports: $(READY)
	$(BIN)/lint-imports

# a browser for the tests of pages, where Debian's packages can be had; without one these tests skip and say so
BROWSER := chromium chromium-driver fonts-dejavu-core
browser:
	@command -v chromium > /dev/null && command -v chromedriver > /dev/null \
	|| { command -v apt-get > /dev/null && [ "$$(id -u)" = 0 ] \
	&& { apt-get -qq update && DEBIAN_FRONTEND=noninteractive apt-get -qq install -y --no-install-recommends $(BROWSER); } \
	> /dev/null 2>&1; } || echo "no browser to be had: the tests of pages in a browser will skip"

tests: $(READY) browser
	$(BIN)/python -m pytest -n 2 --dist loadfile

# how long, as ratios to plain references: half an hour; PRINTERS="24 100 1000" takes an hour more
PRINTERS := 24 100
bench: $(READY)
	$(BIN)/python benchmarks/scale.py --printers $(PRINTERS)
	$(BIN)/python benchmarks/libraries.py

# how often right and how often false, of every method: hours
SPEED := scale libraries door
characteristics: $(READY)
	for table in $(filter-out $(SPEED:%=benchmarks/%.py), $(wildcard benchmarks/*.py)); do \
	  echo "== $$table"; $(BIN)/python $$table || exit 1; done

# hours: kills, failures, full disks, damage, readers, mutated files, random deliveries (docs/torture.md)
torture: $(READY)
	PYTHONPATH=tests $(BIN)/python -m torture

clean:
	rm -rf $(VENV) $(DEMO) .mypy_cache .ruff_cache .pytest_cache .import_linter_cache
