# Each target sets up what it needs on a fresh Debian machine with Python 3.11 or newer.
.PHONY: demo test check chaos bench system score clean
SERVICES = mosquitto:mosquitto mosquitto-clients:mosquitto_sub mbpoll:mbpoll sqlite3:sqlite3 \
	openssl:openssl shellcheck:shellcheck faketime:faketime \
	victoria-metrics:victoria-metrics influxdb:influxd systemd:systemd-analyze

demo:            ## a simulated lab through one night
	@.ci/venv demo
	@.venv/bin/dewline demo

test:            ## every test, on real services
	@.ci/venv demo,influx,push,grafana,test,check
	@.ci/debian $(SERVICES)
	@PATH="$$PATH:/usr/sbin" .venv/bin/python -m pytest $(ARGS)

check:           ## lint, types and who may import whom
	@.ci/venv demo,influx,push,grafana,test,check
	@.venv/bin/ruff check .
	@.venv/bin/ruff format --check .
	@.venv/bin/mypy
	@.venv/bin/lint-imports

chaos:           ## the fault tests at full size (long)
	@.ci/venv demo,influx,push,grafana,test,check
	@.ci/debian $(SERVICES)
	@PATH="$$PATH:/usr/sbin" DEWLINE_CHAOS=full .venv/bin/python -m pytest tests/chaos --timeout 5400 $(ARGS)

system:          ## installer and service in a fresh Debian, under its own systemd (root, 5 minutes)
	@.ci/venv demo,influx,push,grafana,test,check
	@.ci/debian debootstrap:debootstrap
	@.venv/bin/python tests/deploy/real/system.py /var/tmp/dewline-system $(ARGS)

score:           ## causes, calibration, leads, pages, outlooks over all stories (an hour and a half)
	@.ci/venv demo,influx,push,grafana,test,check
	@.venv/bin/python -m tests.score.causes --write tests/score/causes.md $(ARGS)

bench:           ## dewline beside what else one would take, into README's table (half an hour)
	@.ci/venv demo,influx,push,grafana,test,check
	@.ci/debian $(SERVICES)
	@PATH="$$PATH:/usr/sbin" .venv/bin/python -m tests.bench \
		$(if $(findstring --small,$(ARGS)),,--json tests/bench/bench.json --into README.md) $(ARGS)

clean:
	rm -rf .venv .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache build dist
