# Two commands matter: `make demo` shows the program at work, `make test` proves it.
# Each makes its own environment below this folder; nothing is installed outside it, except that
# `make test` fetches Debian's mosquitto (a real broker), socat, faketime and chromium when missing.

PYTHON ?= python3
ARGS ?=
SOURCES := pyproject.toml $(shell find capture drivers simulators -type f -not -name '*.pyc')
# Modules are compiled when they are first imported: most of what comes with the tests never is.
PIP := -m pip install --quiet --disable-pip-version-check --no-compile
# And kept compiled, whatever the surroundings say (many containers say no): else each of the hundreds of
# processes that the tests start compiles all it imports anew, a second for a daemon.
unexport PYTHONDONTWRITEBYTECODE

.PHONY: demo test check compiled bench faults fuzz mutation schemas reference docs screenshots licences sbom bare-install lower-bounds brokers clean help

help:
	@echo 'make demo            simulated instruments, a broker, the daemon, a worked winding (Ctrl-C ends it)'
	@echo 'make demo ARGS=--once  the same, ending by itself'
	@echo 'make test            all tests, in an environment of their own'
	@echo 'make check           ruff, mypy, import rules, schema drift'
	@echo 'make bench           what it costs and gives, against scripts written by hand (half an hour)'
	@echo 'make faults          twenty minutes of faults at random'
	@echo 'make mutation        computations changed in small wrong ways: what no test notices (an hour)'
	@echo 'make fuzz            bytes guided by coverage against every parser (hours; ARGS="--only text")'
	@echo 'make schemas         write schemas/ anew from the models'
	@echo 'make reference       write docs/reference/ anew from the source'
	@echo 'make docs            site/: the documentation for a browser; a warning is a failure'
	@echo 'make screenshots     draw the pictures of docs/bench-guide.md anew, from a running bench'
	@echo 'make licences        write docs/licences.md anew, and fail where a licence does not go with ours'
	@echo 'make sbom            dist/benchtally.cdx.json: all that is installed, as CycloneDX'
	@echo 'make bare-install    the wheel without extras, and by pipx: every command tried (minutes)'
	@echo 'make lower-bounds    tests with the lowest releases that are allowed (a quarter of an hour)'

demo: .venv-demo/.installed
	@.venv-demo/bin/benchtally demo $(ARGS)

# Many tests wait for something, so there are more of them at once than processors. The system tests and
# those in the browser come by themselves: they start many processes of their own, and a file that runs
# something large once for all of its tests stays whole. The files that take longest begin (`takes`).
test: .venv-test/.installed brokers
ifeq ($(strip $(ARGS)),)
	.venv-test/bin/pytest -q -n 4 --dist worksteal --ignore=tests/system --ignore=tests/browser
	.venv-test/bin/pytest -q -n 3 --dist loadfile --no-loadscope-reorder --durations=12 tests/system tests/browser
else
	.venv-test/bin/pytest $(ARGS)
endif

# Every worker imports what all tests import. Where nothing of it is compiled yet, in a new environment, one
# process compiles it quicker than all of them at once, each for itself. That all can be imported is a check.
compiled: .venv-test/.installed
	@.venv-test/bin/pytest -q --collect-only >.venv-test/collected.log || { cat .venv-test/collected.log; false; }

check: .venv-test/.installed
	.venv-test/bin/ruff check .
	.venv-test/bin/ruff format --check .
	.venv-test/bin/mypy
	.venv-test/bin/lint-imports
	.venv-test/bin/benchtally schema --check schemas

bench: .venv-test/.installed brokers
	.venv-test/bin/python -P tests/bench/table.py $(ARGS)

faults: .venv-test/.installed brokers
	.venv-test/bin/python -P tests/bench/campaign.py $(ARGS)

mutation: .venv-test/.installed
	.venv-test/bin/python -P tests/bench/mutation.py $(ARGS)

fuzz: .venv-test/.installed
	@.venv-test/bin/python $(PIP) 'atheris>=3'
	.venv-test/bin/python -P tests/fuzz/run.py $(ARGS)

schemas: .venv-test/.installed
	.venv-test/bin/benchtally schema --write schemas

reference: .venv-test/.installed
	.venv-test/bin/python -P tests/bench/reference/write.py docs/reference

docs: .venv-test/.installed
	.venv-test/bin/mkdocs build --strict --quiet

screenshots: .venv-test/.installed brokers
	.venv-test/bin/python -P tests/bench/screenshots.py docs/pictures

licences: .venv-test/.installed
	.venv-test/bin/python -P tests/bench/licences.py --write docs/licences.md

sbom:
	$(PYTHON) tests/bench/sbom.py dist/benchtally.cdx.json

bare-install:
	$(PYTHON) tests/bench/bare_install.py $(ARGS)

lower-bounds: .venv-test/.installed brokers
	.venv-test/bin/python -P tests/bench/lower_bounds.py $(ARGS)

# A missing broker is a failure that says so, never a skipped test.
brokers:
	@.ci/brokers

# pysparkplug, which reads our Sparkplug payloads, wants an older paho: it lies apart.
# The wheel is what gets tested, so a change to any source installs it again, over an earlier one.
.venv-demo/.installed: $(SOURCES)
	@echo 'making .venv-demo (about a quarter of a minute the first time)'
	@test -d .venv-demo || $(PYTHON) -m venv .venv-demo
	@.venv-demo/bin/python $(PIP) '.[demo]'
	@test ! -e $@ || .venv-demo/bin/python $(PIP) --force-reinstall --no-deps .
	@touch $@

.venv-test/.installed: $(SOURCES)
	@echo 'making .venv-test'
	@test -d .venv-test || $(PYTHON) -m venv .venv-test
	@.venv-test/bin/python $(PIP) '.[test,check]'
	@.venv-test/bin/python $(PIP) --upgrade --no-deps --target .venv-test/peer 'pysparkplug==0.6.1'
	@test ! -e $@ || .venv-test/bin/python $(PIP) --force-reinstall --no-deps .
	@touch $@

clean:
	rm -rf .venv-demo .venv-test .venv dist build .mypy_cache .ruff_cache .pytest_cache .hypothesis demo-run site
