#!/bin/sh
# Runs a command of this project on a fresh minimal Debian, from a clone of what is committed here.
# Usage, as root: sh tests/roots/run.sh SUITE WHO COMMAND…
#   SUITE    bookworm (Debian 12), trixie (Debian 13) or another suite that debootstrap knows
#   WHO      root; sudo: an ordinary user with sudo; plain: one without, for whom root types what is asked for
#   COMMAND  run in the clone by that user, for instance: sh deploy/test.sh
# Needs debootstrap. Roots are made below DRYSHIFT_ROOTS (default: /var/tmp/dryshift-roots); with KEEP=1 the used one
# stays, and a kept one named in ROOT is used again. How this machine reaches Debian's packages and the package index
# (mirror, proxy, certificates, pip's settings) is taken over from it; DEBIAN_MIRROR names another mirror.
set -eu
here=$(CDPATH= cd -- "$(dirname -- "$0")/../.." && pwd)
[ $# -ge 3 ] || { sed -n '2,9s/^# \{0,1\}//p' "$0" >&2; exit 2; }
[ "$(id -u)" -eq 0 ] || { echo "run.sh: a root is made and entered by root: run it as root" >&2; exit 2; }
suite=$1 who=$2
shift 2
case $who in root | sudo | plain) ;; *) echo "run.sh: WHO is root, sudo or plain, not $who" >&2; exit 2 ;; esac
roots=${DRYSHIFT_ROOTS:-/var/tmp/dryshift-roots}
mkdir -p "$roots"

mirror() {
  [ -z "${DEBIAN_MIRROR:-}" ] || { echo "$DEBIAN_MIRROR"; return; }
  sed -n -E 's/^URIs: *([^ ]+).*/\1/p; s/^deb (\[[^]]*\] )?([^ ]+) .*/\2/p' \
    /etc/apt/sources.list /etc/apt/sources.list.d/*.list /etc/apt/sources.list.d/*.sources 2>/dev/null |
    grep '/debian/\{0,1\}$' | head -n 1
}

# A minimal root of the suite, made once; every run has a copy of its own.
base="$roots/base-$suite"
if [ ! -f "$base.done" ]; then
  rm -rf "$base"
  debootstrap --variant=minbase "$suite" "$base" $(mirror) >"$base.log" 2>&1 || { tail "$base.log" >&2; exit 1; }
  touch "$base.done"
fi
root=${ROOT:-$(mktemp -d "$roots/$suite-$who-XXXX")}
if [ -z "${ROOT:-}" ]; then
  cp -a "$base/." "$root"
  [ -n "${KEEP:-}" ] || trap 'rm -rf --one-file-system "$root"' EXIT
fi
chmod 755 "$root"

# How this machine reaches the world.
cp -L /etc/resolv.conf /etc/hosts "$root/etc/"
apt-config dump Acquire >"$root/etc/apt/apt.conf.d/90host"
mounts="$root/.mounts"
: >"$mounts"
python3 -m pip config list | sed -n "s/^[^.]*\.//; s/='\(.*\)'$/ = \1/p" | sort -u -t= -k1,1 >"$root/.pip"
# The root's own certificates are written anew when its package of them comes: this machine's lie elsewhere.
cert=$(sed -n 's/^cert = //p' "$root/.pip")
[ -z "$cert" ] || cp -L "$cert" "$root/etc/host-certificates.crt"
{ echo "[global]"; sed 's|^cert = .*|cert = /etc/host-certificates.crt|' "$root/.pip"; } >"$root/etc/pip.conf"
# Files and folders that pip's settings name; beside a folder "simple" lie the files it points at.
tr ' ' '\n' <"$root/.pip" | sed -n 's|^file://||; s|/simple$||; /^\//p' | grep -Fvx "${cert:- }" | sort -u | while read -r path; do
  if [ -d "$path" ]; then
    mkdir -p "$root$path"
    echo "$path" >>"$mounts"
  elif [ -f "$path" ]; then
    mkdir -p "$root$(dirname "$path")"
    cp -L "$path" "$root$path"
  fi
done
data=
if [ -n "${DRYSHIFT_OPEN_DATA:-}" ]; then
  data=/srv/open-data
  mkdir -p "$root$data"
fi

# The clone, and the user whose it is.
if [ ! -d "$root/srv/dryshift" ]; then
  if [ "$who" != root ]; then chroot "$root" useradd --create-home --shell /bin/sh dry; fi
  if [ "$who" = sudo ]; then
    chroot "$root" sh -c 'apt-get update -qq && apt-get install -y -qq --no-install-recommends sudo >/dev/null'
    echo "dry ALL=(ALL) NOPASSWD: ALL" >"$root/etc/sudoers.d/dry"
  fi
  git clone --quiet --no-hardlinks "$here" "$root/srv/dryshift"
else
  clone="git -c safe.directory=* -C $root/srv/dryshift"
  $clone fetch --quiet "$here" HEAD
  $clone reset --quiet --hard FETCH_HEAD
fi
[ "$who" = root ] || chroot "$root" chown -R dry: /srv/dryshift
cat >"$root/.command" <<'SH'
set -eu
umask 022
cd /srv/dryshift
exec "$@"
SH

cat >"$root/.inside" <<'SH'
set -eu
as_user() {
  if [ "$WHO" = root ]; then
    env -i HOME=/root PATH="$PATH" LANG=C.UTF-8 ${DATA:+DRYSHIFT_OPEN_DATA=$DATA} sh /.command "$@"
  else
    env -i PATH="$PATH" LANG=C.UTF-8 ${DATA:+DRYSHIFT_OPEN_DATA=$DATA} \
      setpriv --reuid dry --regid dry --init-groups --inh-caps=-all env HOME=/home/dry USER=dry sh /.command "$@"
  fi
}
if [ "$WHO" != plain ]; then as_user "$@"; exit; fi
# Without sudo the first try ends with the line for root: it is typed as it stands.
said=$(mktemp)
if as_user "$@" 2>"$said"; then exit 0; fi
line=$(sed -n 's/^  \(apt-get .*\)/\1/p' "$said")
cat "$said" >&2
[ -n "$line" ] || exit 1
echo "run.sh: root types: $line"
DEBIAN_FRONTEND=noninteractive sh -c "$line" >/dev/null
as_user "$@"
SH

# Its own mounts and processes: what the command leaves behind ends with it.
export root data
status=0
WHO=$who DATA=$data PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin \
  unshare --mount --pid --fork --kill-child sh -eu -c '
  mount -t proc proc "$root/proc"
  mount -t sysfs -o ro sysfs "$root/sys"
  mount --rbind /dev "$root/dev"
  mount -t tmpfs -o mode=1777 tmpfs "$root/dev/shm"
  while read -r path; do mount --bind -o ro "$path" "$root$path"; done <"$root/.mounts"
  [ -z "$data" ] || mount --bind -o ro "$DRYSHIFT_OPEN_DATA" "$root$data"
  exec chroot "$root" sh /.inside "$@"' sh "$@" || status=$?
[ -z "${KEEP:-}" ] || echo "run.sh: kept in $root"
exit $status
