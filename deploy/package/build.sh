#!/bin/sh
# Builds the Debian packages of this checkout: dryshift, beside it dryshift-paper with what makes a signed week a PDF and
# dryshift-parquet with what keeps closed months in files.
# Usage: deploy/package/build.sh FOLDER        the packages are written there
# Needs Debian, Ubuntu or 64-bit Raspberry Pi OS with python3-venv and a network; not root. A package fits the Debian
# release and processor that it was built on, since it brings the libraries of deploy/locked/ compiled for its Python.
# DRYSHIFT_VERSION names another version than pyproject.toml's.
set -eu
[ $# -eq 1 ] || { sed -n '2,7s/^# \{0,1\}//p' "$0" >&2; exit 2; }
here=$(CDPATH= cd -- "$(dirname -- "$0")/../.." && pwd)
mkdir -p "$1"
out=$(CDPATH= cd -- "$1" && pwd)
version=${DRYSHIFT_VERSION:-$(sed -n 's/^version = "\(.*\)"/\1/p' "$here/pyproject.toml")}
machine=$(dpkg --print-architecture)
python=$(python3 -c 'import sys; print("%d.%d" % sys.version_info[:2])')
after=$(python3 -c 'import sys; print("%d.%d" % (sys.version_info[0], sys.version_info[1] + 1))')
# The same checkout gives the same files.
SOURCE_DATE_EPOCH=$(git -C "$here" log -1 --format=%ct 2>/dev/null || echo 1577836800)
export SOURCE_DATE_EPOCH PYTHONDONTWRITEBYTECODE=1
umask 022
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
log="$work/log"

step() {
  "$@" >>"$log" 2>&1 && return
  tail -n 20 "$log" >&2
  echo "build.sh: this failed: $*" >&2
  exit 1
}

python3 -c 'import ensurepip, venv' 2>/dev/null || { echo "build.sh: python3-venv is missing: apt-get install python3-venv" >&2; exit 1; }
step python3 -m venv "$work/tools"
pip="$work/tools/bin/python -m pip --disable-pip-version-check"
step $pip install --require-hashes -r "$here/deploy/locked/build.txt"
mkdir -p "$work/tools/deploy"
cp -R "$here/deploy/guides" "$work/tools/deploy/"
cp -R "$here/monitor" "$here/shared" "$here/config" "$here/pyproject.toml" "$here/README.md" "$here/LICENSE" "$work/tools/"
step $pip wheel --no-index --no-deps --no-build-isolation --wheel-dir "$work/wheel" "$work/tools"

# Libraries into a folder of their own, without the commands that come with some of them.
libraries() { # the package's folder, then what pip is told
  site="$1/usr/lib/dryshift/lib/python$python/site-packages"
  shift
  step $pip install --no-compile --target "$site" "$@"
  rm -rf "$site/bin"
}

control() { # the package's folder, its name, then the rest of its description
  size=$(du -sk --exclude=DEBIAN "$1" | cut -f1)
  {
    printf 'Package: %s\nVersion: %s\nArchitecture: %s\n' "$2" "$version" "$machine"
    printf 'Installed-Size: %s\nSection: misc\nPriority: optional\nMaintainer: Dryshift <dryshift@localhost>\n' "$size"
    cat
  } >"$1/DEBIAN/control"
  (cd "$1" && find . -type f ! -path './DEBIAN/*' -printf '%P\0' | sort -z | xargs -0 md5sum) >"$work/sums"
  mv "$work/sums" "$1/DEBIAN/md5sums"
  chmod -R u+rwX,go+rX,go-w "$1"
  find "$1" -newermt "@$SOURCE_DATE_EPOCH" -exec touch --no-dereference --date="@$SOURCE_DATE_EPOCH" {} +
  step dpkg-deb --root-owner-group -Zzstd --build "$1" "$out/$2_${version}_$machine.deb"
  echo "$out/$2_${version}_$machine.deb"
}

main="$work/dryshift"
home="$main/usr/lib/dryshift"
share="$main/usr/share/dryshift"
doc="$main/usr/share/doc/dryshift"
mkdir -p "$main/DEBIAN" "$home/bin" "$main/usr/bin" "$main/usr/sbin" "$main/usr/lib/systemd/system" "$share" "$doc"
libraries "$main" --require-hashes -r "$here/deploy/locked/run.txt"
libraries "$main" --no-index --no-deps "$work"/wheel/*.whl

# A venv by hand: three lines, and nothing that names the machine it was built on.
printf 'home = /usr/bin\ninclude-system-site-packages = false\nversion = %s\n' "$python" >"$home/pyvenv.cfg"
ln -s "/usr/bin/python$python" "$home/bin/python3"
printf '#!/usr/lib/dryshift/bin/python3 -I\nfrom monitor.cli.main import main\n\nmain(prog_name="dryshift")\n' >"$home/bin/dryshift"
chmod 755 "$home/bin/dryshift"
ln -s ../lib/dryshift/bin/dryshift "$main/usr/bin/dryshift"
install -m 755 "$here/deploy/package/dryshift-shop" "$main/usr/sbin/"
install -m 644 "$here/deploy/systemd/dryshift.service" "$main/usr/lib/systemd/system/"
for folder in mosquitto proxy watch; do cp -R "$here/deploy/$folder" "$share/"; done
[ ! -d "$here/deploy/guides" ] || cp -R "$here/deploy/guides" "$share/"
[ ! -d "$here/deploy/sensor" ] || cp -R "$here/deploy/sensor" "$share/"
cp "$here/README.md" "$here/deploy/NOTICE" "$here/deploy/supply/bom.json" "$here/config/shop.example.toml" "$doc/"
{
  echo "Dryshift, under the Apache License 2.0: /usr/share/common-licenses/Apache-2.0"
  echo
  sed '1,3d' "$here/deploy/NOTICE"
} >"$doc/copyright"
for script in preinst postinst prerm postrm; do install -m 755 "$here/deploy/package/$script" "$main/DEBIAN/"; done
# Compiled here, since the service may not write there; by content, so that times do not matter.
step "$work/tools/bin/python" -m compileall -q -j 0 --invalidation-mode unchecked-hash -s "$main" -p / "$home/lib"

control "$main" dryshift <<CONTROL
Depends: python3 (>= $python~), python3 (<< $after~), libc6, libstdc++6, adduser, systemd, ca-certificates, init-system-helpers, util-linux, openssl
Recommends: mosquitto, avahi-daemon
Suggests: dryshift-paper (= $version), dryshift-parquet (= $version), nginx
Description: keeps a welding shop's consumables, gas and steel dry
 Watches the air of a shop by small wall sensors, works out what is about to get
 wet, and tells the lead's phone before the humid shift what to do and by when.
 Keeps the clock of every opened package and a record that an auditor can check.
CONTROL

# One library that only some shops want, in a package of its own.
beside() { # the extra, its library, then the rest of the description
  folder="$work/$1"
  mkdir -p "$folder/DEBIAN" "$folder/usr/share/doc/dryshift-$1"
  python3 - "$here/deploy/locked/$1.txt" "$2" >"$work/$2.txt" <<'PY'
import sys
text = open(sys.argv[1], encoding="utf-8").read().replace("\\\n", " ")
print(*(line for line in text.splitlines() if line.startswith(f"{sys.argv[2]}==")), sep="\n")
PY
  libraries "$folder" --require-hashes --no-deps -r "$work/$2.txt"
  step "$work/tools/bin/python" -m compileall -q -j 0 --invalidation-mode unchecked-hash -s "$folder" -p / "$folder/usr/lib"
  echo "$2, under the Apache License 2.0: /usr/share/common-licenses/Apache-2.0" >"$folder/usr/share/doc/dryshift-$1/copyright"
  control "$folder" "dryshift-$1"
}

beside paper typst <<CONTROL
Depends: dryshift (= $version), fonts-dejavu-core
Description: the record of a week as a PDF to sign
 What sets Dryshift's records of a week, package, lot or job on A4 or Letter.
CONTROL

beside parquet pyarrow <<CONTROL
Depends: dryshift (= $version)
Description: closed months in Parquet files
 What moves Dryshift's closed months into Parquet files, reads them there, and
 gives stored readings away as Parquet.
CONTROL
