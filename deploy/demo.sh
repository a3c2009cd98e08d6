#!/bin/sh
# Installs what is needed and runs the Ferrymoor demo: broker, store, sensors, warnings and pages.
set -eu
here=$(CDPATH= cd -- "$(dirname -- "$0")/.." && pwd)
sh "$here/deploy/install.sh"
exec "$here/.venv/bin/dryshift" demo "$@"
