#!/bin/sh
# Installs Dryshift into .venv of this checkout. Usage: deploy/install.sh [EXTRA] [DEBIAN PACKAGE …]
# Needs Debian, Ubuntu or Raspberry Pi OS with Python 3.11 or newer; safe to run again, also after a move.
# Libraries come in the versions that were tested together (deploy/tested-versions.txt), and no file of them is
# installed whose hash is not in deploy/locked/.
set -eu
here=$(CDPATH= cd -- "$(dirname -- "$0")/.." && pwd)
extra=${1:-}
locked="$here/deploy/locked/${extra:-run}.txt"
[ $# -gt 0 ] && shift

# The first word says who speaks; what follows can be copied as it stands.
fail() {
  printf 'install.sh: %s\n' "$1" >&2
  shift
  [ $# -eq 0 ] || printf '%s\n' "$@" >&2
  exit 1
}

[ "$(getconf LONG_BIT)" = 64 ] ||
  fail "Dryshift needs a 64-bit system; this one is 32-bit. On a Raspberry Pi install the 64-bit Raspberry Pi OS."
[ -f "$locked" ] || fail "there is no extra $extra; there are: $(ls "$here/deploy/locked" | sed 's/\.txt$//' | tr '\n' ' ')"

lacking() {
  for package in "$@"; do
    dpkg-query -W -f='${Status}' "$package" 2>/dev/null | grep -q 'install ok installed' || printf ' %s' "$package"
  done
  python3 -c 'import ensurepip, venv' 2>/dev/null || printf ' python3-venv'
}

# As root, or what root has to type.
root() {
  if [ "$(id -u)" -eq 0 ]; then "$@"; return; fi
  if command -v sudo >/dev/null && sudo true; then sudo "$@"; return; fi
  servers=
  for package in $missing; do
    case $package in
    mosquitto | influxdb | victoria-metrics | postgresql | prometheus) servers="$servers $package" ;;
    nginx-light) servers="$servers nginx" ;;
    esac
  done
  # shellcheck disable=SC2086
  fail "this user may not install Debian packages. As root, type:" \
    "  apt-get update && apt-get install -y --no-install-recommends$missing" \
    ${servers:+"  systemctl disable --now$servers   # the tests start their own"} "and then run this again."
}

missing=$(lacking "$@")
if [ -n "$missing" ]; then
  echo "Installing Debian packages:$missing"
  # shellcheck disable=SC2086
  root sh "$here/deploy/quietly-install.sh" $missing || fail "these Debian packages could not be installed:$missing" "What apt-get said stands above."
fi

python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' ||
  fail "Dryshift needs Python 3.11 or newer; this is $(python3 --version)."
[ -w "$here" ] || fail "$(id -un) may not write to $here: run this as its owner, or clone it anew."

cd "$here"
# A .venv works only where and with the Python it was made: elsewhere it runs nothing, or the old place's code.
at_home() {
  for stamp in .venv/installed-*; do
    [ ! -f "$stamp" ] || [ "$(cat "$stamp")" = "$here" ] || return 1
  done
  .venv/bin/python -c 'import sys, pip; sys.exit(sys.prefix == sys.base_prefix)' 2>/dev/null
}
if ! at_home; then
  rm -rf .venv
  python3 -m venv .venv
fi

log=.venv/install.log
get() {
  .venv/bin/python -m pip install --disable-pip-version-check "$@" >>"$log" 2>&1 && return
  if grep -qE 'connection broken|Could not fetch|Read timed out' "$log"; then
    set -- "the package index does not answer. Is there a network, a proxy or a certificate that pip must be told of?"
  else
    set -- "pip could not install the libraries: $(grep '^ERROR' "$log" | head -n 1)"
  fi
  fail "$1" "All that pip said stands in $here/$log. When it is mended, run this again."
}

stamp=.venv/installed-${extra:-run}
if [ ! -f "$stamp" ] || [ pyproject.toml -nt "$stamp" ] || [ "$locked" -nt "$stamp" ]; then
  echo "Installing Dryshift and what it needs into .venv (a minute or two the first time)"
  : >"$log"
  get --require-hashes -r "$here/deploy/locked/build.txt"
  get --require-hashes -r "$locked"
  get --no-index --no-deps --no-build-isolation -e .
  echo "$here" >"$stamp"
fi
