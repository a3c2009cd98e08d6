#!/bin/sh
# The Debian package on a fresh minimal root, as a shop meets it: built, installed, started by its init system, upgraded,
# taken back one version, removed, installed again, purged. Says what each step took.
# Usage, as root: sh tests/roots/package.sh SUITE [WHAT]
#   SUITE  bookworm or trixie
#   WHAT   package (as above), or lead: a lead's way from the installed package to the first warning, with its seconds
# Needs debootstrap, cgroup v2 and a way to Debian's packages and the package index, as run.sh does. With DEBS naming
# a folder, its packages are installed instead of built.
set -eu
here=$(CDPATH= cd -- "$(dirname -- "$0")/../.." && pwd)
suite=${1:?name a suite, bookworm or trixie}
what=${2:-package}
roots=${DRYSHIFT_ROOTS:-/var/tmp/dryshift-roots}
version=$(sed -n 's/^version = "\(.*\)"/\1/p' "$here/pyproject.toml")
mkdir -p "$roots"
seconds() { date +%s; }
say() { echo "package.sh: $*"; }

# Built where it will run: on a root of the suite.
build=$(mktemp -d "$roots/$suite-build-XXXX")
shop=$(mktemp -d "$roots/$suite-shop-XXXX")
trap 'rm -rf --one-file-system "$build" "$shop"' EXIT
trap 'exit 1' HUP INT TERM
debs=${DEBS:-}
began=$(seconds)
if [ -z "$debs" ]; then
  rmdir "$build"
  mkdir "$build"
  cp -a "$roots/base-$suite/." "$build" 2>/dev/null || :
  ROOT=$build KEEP=1 sh "$here/tests/roots/run.sh" "$suite" root sh -c \
    'sh deploy/quietly-install.sh python3-venv git ca-certificates && sh deploy/package/build.sh /srv/debs'
  debs="$build/srv/debs"
  say "built in $(($(seconds) - began)) s"
fi

# A second version: the same with another number and one more step of the ledger's layout, as a later one may have.
next="$version+next"
mkdir "$shop.debs"
trap 'rm -rf --one-file-system "$build" "$shop" "$shop.debs"' EXIT
cp "$debs"/dryshift_*.deb "$shop.debs/old.deb"
dpkg-deb -R "$shop.debs/old.deb" "$shop.debs/tree"
sed -i "s/^Version: .*/Version: $next/; s/(= $version)/(= $next)/" "$shop.debs/tree/DEBIAN/control"
steps=$(echo "$shop.debs"/tree/usr/lib/dryshift/lib/python3*/site-packages/monitor/store/ledger/migrations/versions)
last=$(find "$steps" -name 'm0*.py' -printf '%f\n' | sort | tail -n 1 | cut -c2-5)
new=$(printf '%04d' $((${last#000} + 1)))
printf 'from alembic import op\n\nrevision = "%s"\ndown_revision = "%s"\n\n\ndef upgrade() -> None:\n    op.create_index("a_later_one", "event", ["subject", "kind"])\n' \
  "$new" "$last" >"$steps/m${new}_later.py"
dpkg-deb --root-owner-group -Zzstd -b "$shop.debs/tree" "$shop.debs/new.deb" >/dev/null
rm -rf "$shop.debs/tree"

# The shop's machine: nothing but Debian, and what a machine with an init system has.
if [ ! -d "$roots/base-$suite" ]; then sh "$here/tests/roots/run.sh" "$suite" root true; fi
cp -a "$roots/base-$suite/." "$shop"
cp -L /etc/resolv.conf /etc/hosts "$shop/etc/"
apt-config dump Acquire >"$shop/etc/apt/apt.conf.d/90host"
cp "$shop.debs/old.deb" "$shop.debs/new.deb" "$shop/srv/"
began=$(seconds)
broker=
[ "$what" != lead ] || broker=mosquitto
BROKER=$broker chroot "$shop" sh -eu -c '
  export DEBIAN_FRONTEND=noninteractive
  printf "#!/bin/sh\nexit 101\n" >/usr/sbin/policy-rc.d; chmod 755 /usr/sbin/policy-rc.d
  apt-get update -qq
  apt-get install -y -qq --no-install-recommends systemd-sysv dbus curl iproute2 $BROKER >/dev/null 2>&1
  rm /usr/sbin/policy-rc.d'
say "a fresh $suite with an init system in $(($(seconds) - began)) s"
began=$(seconds)
chroot "$shop" sh -c 'DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends /srv/old.deb' |
  grep '^dryshift:' || :
say "package installed in $(($(seconds) - began)) s"
rm -f "$shop/etc/apt/apt.conf.d/90host"

if [ "$what" = lead ]; then
  sh "$here/tests/roots/boot.sh" "$shop" "$here/tests/roots/lead.sh"
else
  sh "$here/tests/roots/boot.sh" "$shop" "$here/tests/roots/packaged.sh" "$version" "$next"
fi
say "all of it holds on $suite"
