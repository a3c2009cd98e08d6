#!/bin/sh
# Makes what the reverse proxy of this folder needs: a certificate for the pages' name, and its password file.
# Usage, as root: make-proxy-files.sh FOLDER NAME-OR-ADDRESS [PERSON …]
#   for example: make-proxy-files.sh /etc/dryshift-proxy dryshift.example.org lead watch
# Each person's password is asked for twice; without a terminal it is read from standard input, a line each. A person
# who is there gets the new one. The certificate is signed by an authority of this folder's own: ca.crt goes onto the
# phones, or a public one takes its place (same file names). Run again to renew it: the authority stays.
set -eu
[ $# -ge 2 ] || { sed -n '2,7s/^# \{0,1\}//p' "$0" >&2; exit 2; }
here=$(CDPATH= cd -- "$(dirname -- "$0")" && pwd)
folder=$1 name=$2
shift 2
command -v openssl >/dev/null || { echo "make-proxy-files.sh: openssl is missing: apt-get install openssl" >&2; exit 1; }
umask 077
mkdir -p "$folder"
chmod 755 "$folder"

sh "$here/../mosquitto/make-certificates.sh" "$folder" "$name" >/dev/null
mv "$folder/server.crt" "$folder/web.crt"
mv "$folder/server.key" "$folder/web.key"

passwords="$folder/passwords"
[ -f "$passwords" ] || : >"$passwords"
for person in "$@"; do
  case $person in '' | *[!A-Za-z0-9._-]*) echo "make-proxy-files.sh: a name has letters, digits, . _ and -, not $person" >&2; exit 2 ;; esac
  if [ -t 0 ]; then
    stty -echo
    printf 'Password of %s: ' "$person" >&2 && IFS= read -r password && printf '\nonce more: ' >&2 && IFS= read -r again
    stty echo
    echo >&2
    [ "$password" = "$again" ] || { echo "make-proxy-files.sh: they differ; nothing was changed for $person" >&2; exit 1; }
  else
    IFS= read -r password
  fi
  [ "${#password}" -ge 8 ] || { echo "make-proxy-files.sh: at least 8 signs, for $person" >&2; exit 1; }
  hash=$(printf '%s\n' "$password" | openssl passwd -6 -stdin)
  { grep -v "^$person:" "$passwords" || :; printf '%s:%s\n' "$person" "$hash"; } >"$passwords.new"
  mv "$passwords.new" "$passwords"
done
# nginx reads it as www-data, nobody else.
if getent group www-data >/dev/null; then chgrp www-data "$passwords" && chmod 640 "$passwords"; fi
echo "Made $folder/web.crt for $name (825 days) and $folder/passwords. Keep $folder/ca.key elsewhere; ca.crt goes onto the phones."
