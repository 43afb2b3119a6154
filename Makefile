# One word a job. `make demo` and `make test` each do their own set-up on a fresh Debian machine; a second call
# finds the stamp files in .venv and starts at once. Nothing is installed outside .venv, except the Debian packages
# that tests talk to, and those only as root.

SHELL := /bin/bash
.SHELLFLAGS := -eu -o pipefail -c
.DEFAULT_GOAL := help
# A test run is hundreds of processes. Where bytecode may not be kept, each of them would compile all of rigd anew.
unexport PYTHONDONTWRITEBYTECODE
.PHONY: help demo test bench lint references nights planted crash

# Debian packages: independent Modbus programs and a tracer, so that our wire is judged by others than ourselves.
TOOLS := mbpoll socat strace gcc
WORKERS ?= 2
LIVE ?= 4
HOURS ?= 200
BENCH_HOURS ?= 4
SEED ?= 1
KILLS ?= 200

help:
	@echo "make demo   a burst on the simulated rig, from nothing, in about a minute"
	@echo "make test   every test, with its own set-up"
	@echo "make bench  the speed figures, each beside its baseline"
	@echo "make lint   style only"
	@echo "make nights 200 simulated hours in which everything goes wrong, judged at every step"
	@echo "make crash  200 kills of a rig under pressure, and every disk fault at every call (about half an hour)"
	@echo "make planted  small wrongs planted in a copy of the code, each of which the nights must find"
	@echo "make references  the records that ship, after the engine changed on purpose"

demo: .venv/.run
	.venv/bin/rigd demo burst

# The first two parts ask when and in which order something is synced, not how long a disk takes to: their files lie in
# memory where there is 1 GB of it for files that may also be run (the shim of tests/crash). What is `alone` has a disk.
MEMORY := $(shell ! grep -qs ' /dev/shm .*noexec' /proc/mounts && \
  df -k --output=avail /dev/shm 2>/dev/null | awk 'NR > 1 && $$1 > 1000000 {print "/dev/shm"}')

test: .venv/.test .venv/.tools .venv/.other
	TMPDIR="$${TMPDIR:-$(MEMORY)}" RIGD_OTHER_PYTHONS="$$(cat .venv/.other)" .venv/bin/pytest -n $(WORKERS) --dist worksteal -m "not alone and not live"
	TMPDIR="$${TMPDIR:-$(MEMORY)}" .venv/bin/pytest -n $(LIVE) --maxschedchunk 1 -m "live and not alone"
	.venv/bin/pytest -m alone || [ $$? -eq 5 ]  # 5: nothing is marked so

bench: .venv/.test
	@for file in benchmarks/*.py; do echo "== $$file"; .venv/bin/python "$$file"; done

nights: .venv/.test .venv/.tools
	.venv/bin/python -m simulator.nights --compiled --hours $(HOURS) --seed $(SEED) --jobs $(WORKERS)
	.venv/bin/python -m simulator.bench_nights --kind surge --hours $(BENCH_HOURS) --seed $(SEED)
	.venv/bin/python -m simulator.bench_nights --kind leak --hours $(BENCH_HOURS) --seed $(SEED)
	.venv/bin/python -m simulator.bench_nights --kind flush --hours $(BENCH_HOURS) --seed $(SEED)
	.venv/bin/python -m simulator.bench_nights --kind air --hours $(BENCH_HOURS) --seed $(SEED)
	.venv/bin/python -m simulator.bench_nights --kind gas --hours $(BENCH_HOURS) --seed $(SEED)
	.venv/bin/python -m simulator.bench_nights --kind rest --hours $(BENCH_HOURS) --seed $(SEED)

# Other random moments: RIGD_SEED=7 make crash. Small disks are mounted, which needs root; without it they are skipped.
crash: .venv/.test .venv/.tools
	RIGD_KILLS=$(KILLS) RIGD_THOROUGH=1 .venv/bin/pytest tests/crash

planted: .venv/.run
	.venv/bin/python -m simulator.planted --jobs $(WORKERS)

references: .venv/.run
	.venv/bin/python -m simulator.reference

lint: .venv/.test
	.venv/bin/ruff check .

.venv/bin/python:
	@for python in $${PYTHON:-} python3 python3.11 python3.12 python3.13 python3.14; do \
	  if "$$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then \
	    echo "set-up: $$("$$python" --version) into .venv"; \
	    if "$$python" -m venv .venv; then exit 0; fi; \
	    rm -rf .venv; echo "cannot make a virtual environment; on Debian: apt-get install make git python3-venv"; exit 1; \
	  fi; \
	done; echo "no Python 3.11 or newer found; on Debian 12 or newer: apt-get install make git python3-venv"; exit 1

.venv/.run: pyproject.toml constraints.txt | .venv/bin/python
	@echo "set-up: packages into .venv, once (a minute or two)"
	@.venv/bin/pip install --quiet --disable-pip-version-check -c constraints.txt -e .
	@touch $@

.venv/.test: pyproject.toml constraints.txt | .venv/bin/python
	@echo "set-up: packages and test tools into .venv, once (a minute or two)"
	@.venv/bin/pip install --quiet --disable-pip-version-check -c constraints.txt -e ".[test]"
	@touch $@ .venv/.run

# Another Python than the one in .venv, where the machine has one: records must replay the same under both.
.venv/.other: pyproject.toml constraints.txt | .venv/bin/python
	@for python in python3.13 python3.12 python3.11 $${PYENV_ROOT:-$$HOME/.pyenv}/versions/3.1[1-9].*/bin/python; do \
	  here=$$(.venv/bin/python -c 'import sys; print(sys.version_info[1])'); \
	  "$$python" -c "import sys; sys.exit(not sys.version_info[1] > 10 or sys.version_info[1] == $$here)" 2>/dev/null || continue; \
	  echo "set-up: $$("$$python" --version) into .venv-other, to replay records under another Python"; \
	  "$$python" -m venv .venv-other && \
	  .venv-other/bin/pip install --quiet --disable-pip-version-check -c constraints.txt -e . && \
	  echo "$$PWD/.venv-other/bin/python" > $@ && exit 0; \
	done; echo "no other Python here: the test that replays under another one is skipped"; : > $@

.venv/.tools: Makefile | .venv/bin/python
	@missing=""; for tool in $(TOOLS); do command -v $$tool >/dev/null || missing="$$missing $$tool"; done; \
	missing="$${missing/gcc/gcc libc6-dev}"; \
	if [ -z "$$missing" ]; then touch $@; \
	elif [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null; then \
	  echo "set-up: apt-get install$$missing"; \
	  { apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $$missing; } \
	    >.venv/tools.log 2>&1 && touch $@ || { tail -n 5 .venv/tools.log; echo "tests that need$$missing will be skipped"; }; \
	else echo "tests that need$$missing will be skipped; to run them: sudo apt-get install$$missing"; fi
