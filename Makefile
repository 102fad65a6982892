# `make demo` and `make test` do all the set-up. Outside this folder they fill caches only: pip's own, and the user's cache
# folder of the assistant, ignition-assistant (the voice's sounds, and what was made of the data files and grammars: up to 50 MB).
# `make test` also installs what the tests need from the system, where apt is available.
PYTHON ?= python3
BIN := .venv/bin

.PHONY: live-test bench-live bench-phone demo quick test coverage check format docs corpus torture bench bench-record bench-shop bench-hearing bench-faults bench-branches bench-visits bench-fuzz bench-start bench-gate bench-talk clean

demo: .venv/.product
	$(BIN)/assistant demo

# The pure core and other fast tests: for every save.
QUICK := tests/dialogue tests/language tests/trade tests/outside tests/test_files.py tests/test_check_procedure.py tests/test_layers.py tests/test_add_a_thing.py
quick: .venv/.dev
	$(BIN)/pytest -q $(TWO) -m "not visits and not bench" $(QUICK)

test: check
	$(BIN)/python tests/parts.py
	$(BIN)/pytest -q $(TWO) -m "not visits and not bench" $(QUICK) --cov  # with the floor; "--cov" takes the word after it
	$(BIN)/pytest -q -n 2 --dist worksteal -m "visits and not bench" $(QUICK)  # whole visits, which tracing makes twice as long
	$(BIN)/pytest -q $(FOUR) $(foreach part,$(QUICK) tests/live,--ignore $(part))
	$(BIN)/pytest -q $(FOUR) tests/live  # these keep time with sound cards of their own, so nothing else runs beside

# Two processes. The tests of one file share fixtures, so they run in one process.
TWO := -n 2 --dist loadfile

# Four on two cores, for tests that wait as long as they work: for browsers, for programs, for clocks.
FOUR := -n 4 --dist loadfile --no-loadscope-reorder

# Branch coverage of the pure core by its own tests; fails below the floor in pyproject.toml.
coverage: .venv/.dev
	$(BIN)/pytest -q $(TWO) $(QUICK) --cov --cov-report=term-missing:skip-covered

check: .venv/.dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/python tests/documents.py --check

format: .venv/.dev
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

clean:
	rm -rf .venv out build .coverage .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache

.venv/.product: pyproject.toml
	$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Python 3.11 or newer is needed: make PYTHON=python3.11 demo")'
	$(PYTHON) -m venv .venv
	$(BIN)/pip install --quiet --upgrade 'pip>=25.1'
	$(BIN)/pip install --quiet --editable .
	touch $@

.venv/.dev: .venv/.product
	$(BIN)/pip install --quiet --group dev
	touch $@

# Generates from the data: what can be said, the limits with sources, the steps to print, the schema of procedures.
docs: .venv/.dev
	$(BIN)/python tests/documents.py

# Writes the reference records of scripted visits, which later changes are compared with.
corpus: .venv/.dev
	$(BIN)/python tests/corpus/make.py

# Kill -9 at 500 random moments, every byte of a sealed record flipped, a full disk, a phone cut off 100 times: prints
# what was lost.
torture: .venv/.dev
	$(BIN)/python tests/torture.py

# A whole visit through a virtual sound card, both ways, and two by phone: about fifty minutes. A missing part fails it.
live-test: .venv/.dev
	$(BIN)/python tests/parts.py
	CI=true $(BIN)/pytest -q -s tests/live/whole_visit.py tests/live/whole_phone_visit.py

# The live side's figures; HOURS of sound for the memory, 8 if not given. WHOLE=--whole: the whole visit. ONLY: one part.
bench-live: .venv/.dev
	$(BIN)/python tests/bench/live.py $(WHOLE) $(if $(ONLY),--only $(ONLY)) --hours $(or $(HOURS),8)

# A visit by phone: answers by several networks beside the sound card's, bytes, processor, the browser's own processing
# (twenty minutes). ONLY: one part. SPEECH: recordings of people.
bench-phone: .venv/.bench .venv/.dev
	$(BIN)/python tests/bench/phone.py $(if $(ONLY),--only $(ONLY)) $(if $(SPEECH),--speech $(SPEECH))

bench-record: .venv/.dev
	$(BIN)/python tests/bench/record.py

# A shop's store with 100,000 visits, on SQLite and on a PostgreSQL of its own (minutes, 3 GB of disk).
bench-shop: .venv/.dev
	nice $(BIN)/python tests/bench/shop.py $(if $(ON),--on $(ON))

# Figures, printed and never asserted.
bench: .venv/.product
	$(BIN)/python tests/bench/understanding.py
	$(BIN)/python tests/bench/proposals.py
	$(BIN)/python tests/bench/saying.py

# Every branch of every procedure, taken by a simulated technician.
bench-branches: .venv/.dev
	$(BIN)/python tests/bench/branches.py

# How well it hears (minutes). SPEECH: recordings of people; SAMPLE=1: every clip.
bench-hearing: .venv/.bench
	$(BIN)/python tests/bench/hearing.py $(if $(SPEECH),--speech $(SPEECH)) $(if $(SAMPLE),--sample $(SAMPLE))

.venv/.bench: .venv/.product
	$(BIN)/pip install --quiet --group bench
	touch $@

# The recorded visits whose sound `make test` does not play, and one that is killed three times.
bench-visits: .venv/.dev
	$(BIN)/pytest -q -n 2 -m bench tests/session

# Each property with 10,000 examples instead of 200 (an hour).
bench-fuzz: .venv/.dev
	$(BIN)/pytest -q -n 2 -m hypothesis --hypothesis-profile=bench --timeout=0
	$(BIN)/python tests/bench/anything.py $(VISITS)

bench-faults: .venv/.dev
	$(BIN)/python tests/bench/faults.py

# Random visits against the gate, many of them. WALKS of each procedure, 20 if not given.
bench-gate: .venv/.dev
	$(BIN)/python tests/bench/gate.py $(WALKS)

# How much is said on a visit, brief and full.
bench-talk: .venv/.dev
	$(BIN)/python tests/bench/talk.py

# The start-up time of the commands.
bench-start: .venv/.product
	$(BIN)/python tests/bench/start.py

# The bundled model: make graph, make model.
include models_manifest/build/build.mk
