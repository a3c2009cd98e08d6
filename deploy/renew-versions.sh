#!/bin/sh
# Renews deploy/tested-versions.txt with the newest versions that go together on every Python named.
# Usage: deploy/renew-versions.sh [PYTHON …], the oldest first, for instance python3.11 python3.13.
# It ends with deploy/lock-versions.sh, which writes hashes, bill of materials and licences for them.
# Then `sh deploy/test.sh` on each of them says whether they are tested.
set -eu
here=$(CDPATH= cd -- "$(dirname -- "$0")/.." && pwd)
[ $# -gt 0 ] || set -- python3
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
: >"$work/versions"

for python in "$@"; do
  "$python" -m venv --clear "$work/venv"
  pip="$work/venv/bin/python -m pip --disable-pip-version-check"
  $pip install --quiet --upgrade pip
  # Hatchling and editables build the checkout itself. What an older Python settled on binds the newer.
  $pip install --quiet --dry-run --ignore-installed --constraint "$work/versions" --report "$work/report" \
    --editable "$here[test,postgresql,paper,parquet,push]" "hatchling>=1.25" editables pip
  "$python" - "$work/report" >>"$work/versions" <<'PY'
import json, sys
for one in json.load(open(sys.argv[1], encoding="utf-8"))["install"]:
    if one["metadata"]["name"] != "dryshift":
        print(f"{one['metadata']['name']}=={one['metadata']['version']}")
PY
  sort -fu "$work/versions" -o "$work/versions"
done

{
  echo "# The versions that were tested together, one for every Python; deploy/install.sh installs no others."
  echo "# Written by deploy/renew-versions.sh."
  cat "$work/versions"
} >"$work/file"
cat "$work/file" >"$here/deploy/tested-versions.txt"
sh "$here/deploy/lock-versions.sh"
echo "deploy/tested-versions.txt: $(wc -l <"$work/versions") libraries. Now run sh deploy/test.sh on each Python."
