#!/bin/sh
# Installs what is needed and passes the tests: format, lint, types, then everything under tests/.
# Every server that a test talks to is started by the test itself on a free loopback port.
set -eu
here=$(CDPATH= cd -- "$(dirname -- "$0")/.." && pwd)
sh "$here/deploy/install.sh" test mosquitto chromium influxdb victoria-metrics postgresql openssl fonts-dejavu-core
cd "$here"
.venv/bin/ruff format --check .
.venv/bin/ruff check .
.venv/bin/mypy
exec .venv/bin/python -m pytest "$@"
