#!/bin/sh
# Installs Dryshift into .venv of this checkout. Usage: deploy/install.sh [EXTRA] [DEBIAN PACKAGE …]
# Needs Debian, Ubuntu or Raspberry Pi OS with Python 3.11 or newer; safe to run again.
set -eu
here=$(CDPATH= cd -- "$(dirname -- "$0")/.." && pwd)
extra=${1:-}
[ $# -gt 0 ] && shift

root() { if [ "$(id -u)" -eq 0 ]; then "$@"; else sudo "$@"; fi; }

missing=""
for package in "$@"; do
  dpkg-query -W -f='${Status}' "$package" 2>/dev/null | grep -q 'install ok installed' || missing="$missing $package"
done
python3 -c 'import ensurepip, venv' 2>/dev/null || missing="$missing python3-venv"
if [ -n "$missing" ]; then
  echo "Installing Debian packages:$missing"
  root apt-get update -qq
  # shellcheck disable=SC2086
  root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing >/dev/null
fi

python3 - <<'PY'
import sys
if sys.version_info < (3, 11):
    sys.exit(f"Dryshift needs Python 3.11 or newer; this is {sys.version.split()[0]}")
PY

cd "$here"
# A .venv copied from another place or Python does not work: make it anew.
if ! .venv/bin/python -c 'import sys, pip; sys.exit(sys.prefix == sys.base_prefix)' 2>/dev/null; then
  rm -rf .venv
  python3 -m venv .venv
fi
stamp=.venv/installed-${extra:-run}
if [ ! -f "$stamp" ] || [ pyproject.toml -nt "$stamp" ]; then
  echo "Installing Dryshift and what it needs into .venv (a minute or two the first time)"
  .venv/bin/python -m pip install --quiet --disable-pip-version-check --upgrade pip
  .venv/bin/python -m pip install --quiet --disable-pip-version-check -e ".${extra:+[$extra]}"
  touch "$stamp"
fi
