#!/bin/sh
# Runs on another machine than Dryshift, every few minutes, and tells somebody when Dryshift falls silent or is not in order.
# A service cannot report its own end: this is the somebody else.
#
# DRYSHIFT_URL    address of the pages, like https://dryshift.works.example
# DRYSHIFT_TELL   command that takes a message on its standard input, like: mail -s Dryshift lead@works.example
# DRYSHIFT_STATE  file that remembers how it was last time (default: in the folder of temporary files)
# DRYSHIFT_AFTER  how often in a row it must be found silent before anybody is told (default: 2)
set -eu
url=${DRYSHIFT_URL:?set DRYSHIFT_URL to the address of the pages}
tell=${DRYSHIFT_TELL:?set DRYSHIFT_TELL to a command that takes a message on standard input}
state=${DRYSHIFT_STATE:-${TMPDIR:-/tmp}/dryshift-watch}
after=${DRYSHIFT_AFTER:-2}

silent=0
if [ -f "$state" ]; then silent=$(cat "$state"); fi
case $silent in '' | *[!0-9]*) silent=0 ;; esac

code=$(curl --silent --max-time 20 --output /dev/null --write-out '%{http_code}' "$url/readyz" 2>/dev/null) || code=000
if [ "$code" = 200 ]; then
    if [ "$silent" -ge "$after" ]; then
        printf 'Dryshift at %s is back. Look at the page for what stands now.\n' "$url" | sh -c "$tell"
    fi
    echo 0 >"$state"
    exit 0
fi
silent=$((silent + 1))
echo "$silent" >"$state"
if [ "$silent" -eq "$after" ]; then
    if [ "$code" = 503 ]; then
        printf 'Dryshift at %s is not in order; look at %s/service.\n' "$url" "$url" | sh -c "$tell"
    else
        printf 'Dryshift at %s does not answer (%s). Nobody watches the shop: use a hand meter, check its machine.\n' \
            "$url" "$code" | sh -c "$tell"
    fi
fi
exit 1
