#!/bin/sh
# Installs Debian packages as root without starting or enabling a server that comes with them: the tests start their
# own on free ports, and a machine that only passed the tests serves nothing. Servers that were there stay as they are.
# Usage: deploy/quietly-install.sh PACKAGE …
set -eu
policy=/usr/sbin/policy-rc.d
before=$(mktemp) after=$(mktemp)
made=
trap 'rm -f "$before" "$after" ${made:+"$policy"}' EXIT
trap 'exit 1' HUP INT TERM

packages() { dpkg-query -W -f='${Package} ${db:Status-Abbrev}\n' 2>/dev/null | sed -n 's/ ii.*//p' | sort; }

# Asked before a server is started after its installation (invoke-rc.d(8)): 101 is no.
if [ ! -e "$policy" ]; then
  made=yes
  printf '#!/bin/sh\nexit 101\n' >"$policy"
  chmod 755 "$policy"
fi
packages >"$before"
# Debian's own words stay visible where it fails.
apt-get update -qq || :
DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "$@" >/dev/null
packages >"$after"

command -v systemctl >/dev/null || exit 0
comm -13 "$before" "$after" | xargs -r dpkg-query -L 2>/dev/null |
  sed -n 's|^\(/usr\)\{0,1\}/lib/systemd/system/\([^/@]*\.service\)$|\2|p' | sort -u | while read -r unit; do
    [ "$(systemctl is-enabled "$unit" 2>/dev/null)" != enabled ] || systemctl disable --quiet "$unit"
  done
