#!/bin/sh
# Installs what is needed and passes the tests: format, lint, types, then everything under tests/.
# Every server that a test talks to is started by the test itself on a free loopback port.
# The servers that are installed for it are neither started nor enabled.
set -eu
here=$(CDPATH= cd -- "$(dirname -- "$0")/.." && pwd)
# libatomic1 is for the driver of the browser, curl for the watcher of deploy/watch/.
sh "$here/deploy/install.sh" test mosquitto chromium libatomic1 fonts-dejavu-core curl openssl nginx-light \
  influxdb victoria-metrics postgresql gammu prometheus
cd "$here"
python=.venv/bin/python
$python -m ruff format --check .
$python -m ruff check .
$python -m mypy
# Two files for each processor side by side, since half of a test is waiting; `-n 0` as an argument passes them
# one by one.
exec $python -m pytest -n $((2 * $(nproc))) --maxprocesses 8 "$@"
