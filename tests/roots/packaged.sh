# Runs inside a booted root on which the package was installed (package.sh): checks it step by step.
# Arguments: the installed version, and that of /srv/new.deb.
version=$1 next=$2
step() { printf 'packaged.sh: %s\n' "$1"; }
fail() { printf 'packaged.sh: FAILED: %s\n' "$1" >&2; systemctl status --no-pager dryshift >&2 || :; journalctl -u dryshift -n 40 --no-pager >&2; exit 1; }
is() { [ "$2" = "$3" ] || fail "$1: found $2, wanted $3"; }
modes() { stat -c '%U:%G %a' "$1"; }
ready() { curl --silent --max-time 5 --output /dev/null --write-out '%{http_code}' http://127.0.0.1:8480/readyz || :; }
until_ready() {
  tries=0
  until [ "$(ready)" = 200 ]; do
    tries=$((tries + 1))
    [ $tries -lt 300 ] || fail "not ready: $(ready)"
    sleep 0.2
  done
}
count() {
  /usr/lib/dryshift/bin/python3 -c 'import sqlite3; print(sqlite3.connect("file:/var/lib/dryshift/ledger.sqlite?mode=ro", uri=True).execute("select count(*) from event").fetchone()[0])'
}
install_deb() { DEBIAN_FRONTEND=noninteractive dpkg -i "$1" >/srv/dpkg.log 2>&1 || { cat /srv/dpkg.log >&2; fail "dpkg -i $1"; }; }

step "user, folders and unit are there, and nothing runs before there are settings"
id dryshift >/dev/null
is "settings folder" "$(modes /etc/dryshift)" "root:dryshift 750"
is "secrets" "$(modes /etc/dryshift/secrets)" "root:root 700"
is "data" "$(modes /var/lib/dryshift)" "dryshift:dryshift 700"
is "backups" "$(modes /var/backups/dryshift)" "dryshift:dryshift 700"
is "unit enabled" "$(systemctl is-enabled dryshift)" enabled
is "unit active" "$(systemctl is-active dryshift || :)" inactive
is "version" "$(dryshift --version)" "dryshift, version $version"
systemd-analyze security --no-pager dryshift.service | tail -n 1
score=$(systemd-analyze security --no-pager dryshift.service | sed -n 's/.*exposure level for [^:]*: \([0-9.]*\).*/\1/p')
awk "BEGIN { exit !($score <= 1.5) }" || fail "exposure $score"

step "a small shop starts with its secret, is judged, and keeps a backup where the example says"
umask 022
cat >/etc/dryshift/shop.toml <<'TOML'
[service]
data_dir = "/var/lib/dryshift"
secret_key = "@link-key"
[mqtt]
broker = "embedded"
port = 1883
[store]
backup_dir = "/var/backups/dryshift"
[web]
host = "0.0.0.0"
[[sites]]
id = "ferrymoor"
name = "Ferrymoor Slipway"
timezone = "Europe/London"
[[zones]]
id = "slip-bay"
site = "ferrymoor"
name = "Slip Bay"
[[sensors]]
id = "slip-1"
zone = "slip-bay"
[[sensors.measures]]
quantity = "air_temperature_c"
unit = "Cel"
[[sensors.measures]]
quantity = "relative_humidity_frac"
unit = "%RH"
TOML
chgrp dryshift /etc/dryshift/shop.toml
chmod 640 /etc/dryshift/shop.toml
! dryshift-shop check >/srv/said 2>&1 || fail "check passed without the secret"
grep -q 'link-key' /srv/said || fail "check does not name the missing secret: $(cat /srv/said)"
(umask 077 && openssl rand -hex 32 >/etc/dryshift/secrets/link-key)
dryshift-shop check || fail "check as the service sees it"
systemctl start dryshift || fail "start"
until_ready
is "unit active" "$(systemctl is-active dryshift)" active
main=$(systemctl show -p MainPID --value dryshift)
grep -E 'VmRSS|NoNewPrivs|Seccomp:|CapEff' "/proc/$main/status"
is "files it may open" "$(awk '/Max open files/ { print $4 }' "/proc/$main/limits")" 8192
systemctl show -p WatchdogUSec dryshift
time_to_ready=$(journalctl -u dryshift -o short-monotonic --no-pager | sed -n 's/^\[ *\([0-9.]*\)\].*Start\(ing\|ed\) .*/\1/p' | tail -n 2 | tr '\n' ' ')
echo "starting and ready at: $time_to_ready"

step "whoever breaks into it can neither write elsewhere nor read the secrets' folder"
as_broken_into() { nsenter --target "$main" --mount setpriv --reuid dryshift --regid dryshift --init-groups "$@" >/dev/null 2>&1; }
as_broken_into touch /var/lib/dryshift/own || fail "it may not write its own folder"
rm /var/lib/dryshift/own
for target in /etc/dryshift/x /usr/lib/dryshift/x /srv/x /home/x /var/lib/x; do
  ! as_broken_into touch "$target" || fail "it may write $target"
done
! as_broken_into cat /etc/dryshift/secrets/link-key || fail "it may read the secrets' folder"

step "one that hangs is ended by the watchdog and started anew"
mkdir -p /run/systemd/system/dryshift.service.d
printf '[Service]\nWatchdogSec=10\n' >/run/systemd/system/dryshift.service.d/soon.conf
systemctl daemon-reload
systemctl restart dryshift
until_ready
main=$(systemctl show -p MainPID --value dryshift)
kill -STOP "$main"
tries=0
until [ "$(systemctl show -p MainPID --value dryshift)" != "$main" ]; do
  tries=$((tries + 1))
  [ $tries -lt 300 ] || fail "the watchdog did nothing"
  sleep 0.2
done
journalctl -u dryshift --no-pager | grep -o 'Watchdog timeout' | tail -n 1
rm -r /run/systemd/system/dryshift.service.d
systemctl daemon-reload
sleep 6
systemctl restart dryshift
until_ready

step "a sensor's reading is stored, and a restart keeps it"
/usr/lib/dryshift/bin/python3 - <<'PY'
import json
import time

import paho.mqtt.client as mqtt

client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
client.connect("127.0.0.1", 1883)
client.loop_start()
for n in range(3):
    payload = {"sequence": n, "quantities": {"air_temperature": {"value": 17.0, "unit": "Cel"}, "relative_humidity": {"value": 71.5, "unit": "%RH"}}}
    client.publish("dryshift/ferrymoor/slip-bay/slip-1", json.dumps(payload), qos=1).wait_for_publish(20)
    time.sleep(1)
client.disconnect()
PY
curl --silent http://127.0.0.1:8480/metrics | grep -E '^dryshift_readings.*stored' || fail "no reading stored"
dryshift-shop backup /var/backups/dryshift || fail "backup by hand"
dryshift-shop verify || fail "verify"
systemctl restart dryshift
until_ready
before=$(count)

step "killed, it comes back by itself"
systemctl kill --signal=KILL dryshift
sleep 6
until_ready

step "an upgrade keeps the data, and a copy of it from before"
install_deb /srv/new.deb
until_ready
[ "$(count)" -ge "$before" ] || fail "events lost by the upgrade"
ls /var/backups/dryshift/before-upgrade
dryshift-shop verify | tail -n 1

step "back one version: it says what it cannot read, and takes the copy from before"
install_deb /srv/old.deb
journalctl -u dryshift --no-pager | grep -q 'written by a newer version' || fail "it does not say that the ledger is newer"
systemctl stop dryshift
copy=$(ls -d /var/backups/dryshift/before-upgrade/dryshift-* | head -n 1)
dryshift-shop restore "$copy" || fail "restore"
dryshift-shop verify --accept "the shop's lead" "went back one version" || fail "accept"
systemctl start dryshift
until_ready
[ "$(count)" -ge "$before" ] || fail "events lost on the way back"
dryshift-shop verify | tail -n 1

step "removed, nothing runs and everything is kept; installed again, it goes on"
dpkg -r dryshift >/dev/null 2>&1 || fail "remove"
is "unit active" "$(systemctl is-active dryshift || :)" inactive
[ ! -e /usr/bin/dryshift ] && [ ! -e /usr/lib/dryshift ] || fail "files left"
[ -f /etc/dryshift/shop.toml ] && [ -f /var/lib/dryshift/ledger.sqlite ] || fail "settings or data gone"
install_deb /srv/old.deb
until_ready

step "purged, settings and secrets are gone and the record stays until somebody means it"
dpkg -P dryshift >/srv/said 2>&1 || fail "purge: $(cat /srv/said)"
[ ! -e /etc/dryshift ] || fail "settings left"
[ -f /var/lib/dryshift/ledger.sqlite ] || fail "record gone"
grep 'the record stays' /srv/said || fail "nobody says that the record stays"
systemctl is-enabled dryshift >/dev/null 2>&1 && fail "still enabled"
rm -r /var/lib/dryshift /var/backups/dryshift
step "done"
