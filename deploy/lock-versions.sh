#!/bin/sh
# Writes from deploy/tested-versions.txt what else says where the libraries come from:
#   deploy/locked/*.txt     for each extra every library with its version and the hashes of its files, for pip
#   deploy/supply/bom.json  bill of materials of what a shop runs (CycloneDX), with licences
#   deploy/NOTICE           the same for people
# deploy/renew-versions.sh ends with it; by hand after a library was added to pyproject.toml and tested-versions.txt.
# Needs a network. How pip reaches the package index is told by its own settings, and uv by its own.
set -eu
here=$(CDPATH= cd -- "$(dirname -- "$0")/.." && pwd)
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
cd "$here"
python3 -m venv "$work/tools"
"$work/tools/bin/pip" install --quiet uv cyclonedx-bom
grep -v '^#' deploy/tested-versions.txt >"$work/versions"
# Dryshift runs on Linux; every Python from the oldest on, every processor.
{ cat pyproject.toml; printf '\n[tool.uv]\nenvironments = ["sys_platform == '"'linux'"'"]\n'; } >"$work/pyproject.toml"
[ -z "${SSL_CERT_FILE:-}" ] && [ -f /etc/ssl/certs/ca-certificates.crt ] && export SSL_CERT_FILE=/etc/ssl/certs/ca-certificates.crt

lock() { # name, then what is asked for
  name=$1
  shift
  (cd "$work" && tools/bin/uv pip compile --quiet --universal --python-version 3.11 \
    --constraint versions --generate-hashes --no-annotate --no-header "$@") >"$work/locked"
  { echo "# Written by deploy/lock-versions.sh; deploy/install.sh installs nothing whose hash is not here."; cat "$work/locked"; } \
    >"deploy/locked/$name.txt"
}

mkdir -p deploy/locked deploy/supply
printf 'pip\nhatchling\neditables\n' | lock build -
lock run pyproject.toml
for extra in paper parquet postgresql push test; do lock "$extra" --extra "$extra" pyproject.toml; done

# What a shop runs, installed as its installer does.
python3 -m venv "$work/shop"
"$work/shop/bin/pip" install --quiet --require-hashes -r deploy/locked/run.txt
"$work/shop/bin/pip" uninstall --quiet --yes pip setuptools 2>/dev/null || "$work/shop/bin/pip" uninstall --quiet --yes pip
"$work/tools/bin/cyclonedx-py" environment --output-reproducible --output-format JSON --spec-version 1.6 \
  --pyproject pyproject.toml --output-file "$work/bom.json" "$work/shop"
"$work/tools/bin/python" deploy/supply/notice.py "$work/bom.json"
echo "deploy/locked/, deploy/supply/bom.json and deploy/NOTICE are written."
