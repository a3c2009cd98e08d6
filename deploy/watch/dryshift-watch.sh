#!/bin/sh
# Runs on another machine than Dryshift, every few minutes, and tells somebody when Dryshift falls silent or is not in order.
# A service cannot report its own end: this is the somebody else. Needs curl.
#
# DRYSHIFT_URL    address of the pages, like https://dryshift.works.example
# DRYSHIFT_TELL   command that takes a message on its standard input, like: mail -s Dryshift lead@works.example
# DRYSHIFT_LOGIN  NAME:PASSWORD, where a reverse proxy asks for one (deploy/proxy/)
# DRYSHIFT_CA     file with the certificate authority, where the shop has one of its own
# DRYSHIFT_STATE  file that remembers how it was last time (default: in the folder of temporary files)
# DRYSHIFT_AFTER  how often in a row it must be found so before anybody is told (default: 2)
set -eu
url=${DRYSHIFT_URL:?set DRYSHIFT_URL to the address of the pages}
url=${url%/}
tell=${DRYSHIFT_TELL:?set DRYSHIFT_TELL to a command that takes a message on standard input}
state=${DRYSHIFT_STATE:-${TMPDIR:-/tmp}/dryshift-watch}
after=${DRYSHIFT_AFTER:-2}

# How often it was found so, and the worst that was told: 1 not in order or not seen, 2 silent.
count=0 told=0
if [ -f "$state" ]; then read -r count told <"$state" || :; fi
case $count in '' | *[!0-9]*) count=0 ;; esac
case $told in 1 | 2) ;; *) told=0 ;; esac

# The log-in goes by a file handle: a command line can be read by everybody on the machine.
ask() {
    {
        [ -z "${DRYSHIFT_LOGIN:-}" ] || printf 'user = "%s"\n' "$(printf %s "$DRYSHIFT_LOGIN" | sed 's/[\\"]/\\&/g')"
        [ -z "${DRYSHIFT_CA:-}" ] || printf 'cacert = "%s"\n' "$DRYSHIFT_CA"
    } | curl --config - --silent --max-time 20 --output /dev/null --write-out '%{http_code}' "$url/readyz" 2>/dev/null
}

failed=0
code=$(ask) || failed=$?
# 127: there is no curl. 35, 60: no TLS, or a certificate that is not trusted.
case $failed in 127) code=no-curl ;; 35 | 60) code=no-trust ;; 0) ;; *) code=000 ;; esac
case $code in
200) bad=0 ;;
503) bad=1 text="Dryshift at $url is not in order; look at $url/service." ;;
no-curl) bad=1 text="The watcher on $(uname -n) has no curl and sees nothing: install it. Dryshift itself may be sound." ;;
no-trust) bad=1 text="The watcher does not trust the certificate of $url: name its authority in DRYSHIFT_CA, or renew it." ;;
401 | 403) bad=1 text="The watcher is not let in at $url ($code): set DRYSHIFT_LOGIN, or allow its address in the proxy. Dryshift itself may be sound." ;;
3?? | 404 | 421) bad=1 text="The watcher found no Dryshift at $url ($code): correct DRYSHIFT_URL. Dryshift itself may be sound." ;;
*) bad=2 text="Dryshift at $url does not answer ($code). Nobody watches the shop: use a hand meter, check its machine." ;;
esac

say() { printf '%s\n' "$1" | sh -c "$tell"; }

if [ "$bad" -eq 0 ]; then
    if [ "$told" -gt 0 ]; then say "Dryshift at $url is back. Look at the page for what stands now."; fi
    echo "0 0" >"$state"
    exit 0
fi
count=$((count + 1))
echo "$count $told" >"$state"
# Told once, and again where it becomes worse; what could not be told is tried again next time.
if [ "$count" -ge "$after" ] && [ "$bad" -gt "$told" ]; then
    say "$text"
    echo "$count $bad" >"$state"
fi
exit 1
