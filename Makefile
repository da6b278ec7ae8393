# Each target sets up what it needs on a fresh Debian machine with Python 3.11 or newer.
.PHONY: demo quick test coverage matrix check constraints chaos bench system score clean
SERVICES = mosquitto:mosquitto mosquitto-clients:mosquitto_sub mbpoll:mbpoll sqlite3:sqlite3 \
	openssl:openssl shellcheck:shellcheck faketime:faketime \
	victoria-metrics:victoria-metrics influxdb:influxd systemd:systemd-analyze
EXTRAS = demo,influx,push,grafana,test,check
VENV ?= .venv
# Many tests wait most of their time, so that two processes more than there are cores are no waste.
WORKERS ?= $(shell expr $$(nproc) + 2)
# Compiled files are kept, whatever the environment says: each worker and daemon is quicker by it.
PYTEST = PYTHONDONTWRITEBYTECODE= PATH="$$PATH:/usr/sbin" $(VENV)/bin/python -m pytest
PARALLEL = -n $(WORKERS) --dist loadscope --durations 10

demo:            ## a simulated lab through one night
	@.ci/venv demo
	@$(VENV)/bin/dewline demo

quick:           ## the tests that need no services and take no time (a minute)
	@.ci/venv $(EXTRAS)
	@$(PYTEST) $(PARALLEL) -m "not service and not long" $(ARGS)

test:            ## every test, on real services (9 minutes)
	@.ci/venv $(EXTRAS)
	@.ci/debian $(SERVICES)
	@$(PYTEST) $(PARALLEL) $(ARGS)

coverage:        ## what share of the code the quick tests run: not less than pyproject.toml says
	@.ci/venv $(EXTRAS)
	@$(PYTEST) $(PARALLEL) -m "not service and not long" --cov --cov-report term:skip-covered $(ARGS)

matrix:          ## every test on every Python from 3.11 on that this machine has
	@.ci/debian $(SERVICES)
	@for python in $$(.ci/pythons); do \
		venv=.venv-$$($$python -c 'import sys; print("%d.%d" % sys.version_info[:2])'); \
		echo "== $$($$python --version)"; \
		$(MAKE) --no-print-directory test VENV=$$venv PYTHON=$$python || exit 1; \
	done

check:           ## lint, types and who may import whom
	@.ci/venv $(EXTRAS)
	@$(VENV)/bin/ruff check .
	@$(VENV)/bin/ruff format --check .
	@$(VENV)/bin/mypy
	@$(VENV)/bin/lint-imports

constraints:     ## the newest versions of what dewline stands on, into deploy/constraints.txt
	@rm -rf .venv-newest
	@CONSTRAINTS=/dev/null VENV=.venv-newest .ci/venv $(EXTRAS)
	@.venv-newest/bin/python .ci/constraints.py $(EXTRAS) >deploy/constraints.txt
	@rm -rf .venv-newest
	@echo "deploy/constraints.txt is written: run make check test with it before you keep it"

chaos:           ## the fault tests at full size (long)
	@.ci/venv $(EXTRAS)
	@.ci/debian $(SERVICES)
	@DEWLINE_CHAOS=full $(PYTEST) tests/chaos --timeout 5400 $(ARGS)

system:          ## installer and service in a fresh Debian, under its own systemd (root, 5 minutes)
	@.ci/venv $(EXTRAS)
	@.ci/debian debootstrap:debootstrap
	@$(VENV)/bin/python -m tests.deploy.real.system /var/tmp/dewline-system $(ARGS)

score:           ## all stories and tables at full size: causes, leads, pages, outlooks (two hours)
	@.ci/venv $(EXTRAS)
	@$(VENV)/bin/python -m tests.score.causes --write tests/score/causes.md $(ARGS)
	@DEWLINE_LONG=1 $(PYTEST) $(PARALLEL) tests/score tests/sim tests/watch/test_noise.py \
		tests/system/test_demo.py

bench:           ## dewline beside what else one would take, into README's table (half an hour)
	@.ci/venv $(EXTRAS)
	@.ci/debian $(SERVICES)
	@PATH="$$PATH:/usr/sbin" $(VENV)/bin/python -m tests.bench \
		$(if $(findstring --small,$(ARGS)),,--json tests/bench/bench.json \
		--history tests/bench/history.jsonl --into README.md) $(ARGS)

clean:
	rm -rf .venv .venv-* .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache \
		.coverage build dist

export VENV
