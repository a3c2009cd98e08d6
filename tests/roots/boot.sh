#!/bin/sh
# Boots a root of Debian with its own init system, runs a script inside it, and shuts it down again.
# Usage, as root: sh tests/roots/boot.sh ROOT SCRIPT [ARGUMENT …]
#   ROOT    a folder with Debian and the packages systemd, systemd-sysv and dbus
#   SCRIPT  a shell script of this machine; it runs inside, as root, once the system is up
# It sees a network of its own with nothing but loopback, its own processes, and no devices. Needs cgroup v2.
set -eu
[ $# -ge 2 ] || { sed -n '2,6s/^# \{0,1\}//p' "$0" >&2; exit 2; }
root=$1 script=$2
shift 2
cgroups=$(mount -t cgroup2 | sed -n 's/^[^ ]* on \([^ ]*\) type.*/\1/p' | head -n 1)
[ -n "$cgroups" ] || { echo "boot.sh: this machine has no cgroup v2" >&2; exit 1; }
own="$cgroups/dryshift-boot-$$"
cp "$script" "$root/.script"
export root

mkdir "$own"
# The system inside starts in a group of its own, which is the top of what it sees.
sh -c 'echo $$ >"$1/cgroup.procs"; exec unshare --mount --pid --cgroup --uts --ipc --net --fork --kill-child sh -eu -c '"'"'
  mount --bind "$root" "$root"
  mount -t proc proc "$root/proc"
  mount -t sysfs sysfs "$root/sys"
  mount -t cgroup2 cgroup2 "$root/sys/fs/cgroup"
  mount -t tmpfs -o mode=755 tmpfs "$root/dev"
  for one in null zero full random urandom tty; do
    touch "$root/dev/$one"
    mount --bind "/dev/$one" "$root/dev/$one"
  done
  mkdir "$root/dev/pts" "$root/dev/shm"
  mount -t devpts -o newinstance,ptmxmode=0666,mode=620,gid=5 devpts "$root/dev/pts"
  mount -t tmpfs -o mode=1777 tmpfs "$root/dev/shm"
  ln -s pts/ptmx "$root/dev/ptmx"
  ln -s /proc/self/fd "$root/dev/fd"
  mount -t tmpfs -o mode=755 tmpfs "$root/run"
  mount -t tmpfs -o mode=1777 tmpfs "$root/tmp"
  hostname dryshift-root
  cd "$root"
  mkdir -p .old
  pivot_root . .old
  umount -l /.old
  rmdir /.old
  mount --make-rshared /
  exec env -i container=other PATH=/usr/sbin:/usr/bin:/sbin:/bin /sbin/init
'"'" sh "$own" >"$root/.boot.log" 2>&1 &
outside=$!
trap 'kill -9 "$outside" 2>/dev/null || :; wait "$outside" 2>/dev/null || :; sleep 1; find "$own" -depth -type d -exec rmdir {} \; 2>/dev/null || :' EXIT
trap 'exit 1' HUP INT TERM

inside() {
  init=$(ps -o pid= --ppid "$outside" | tr -d ' ')
  [ -n "$init" ] || return 1
  nsenter --target "$init" --mount --pid --uts --ipc --net --cgroup env -i HOME=/root LANG=C.UTF-8 \
    PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin "$@"
}

tries=0
until inside systemctl is-system-running 2>/dev/null | grep -qE 'running|degraded'; do
  tries=$((tries + 1))
  [ $tries -lt 300 ] || { echo "boot.sh: it does not come up" >&2; cat "$root/.boot.log" >&2; exit 1; }
  sleep 0.2
done
status=0
inside sh -eu /.script "$@" || status=$?
exit $status
