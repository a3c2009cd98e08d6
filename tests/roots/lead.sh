# Runs inside a booted root on which the package and Mosquitto were installed (package.sh SUITE lead): a lead's way from
# there to the first warning on the phone, with its seconds.
step() { printf 'lead.sh: %3d s: %s\n' "$(($(date +%s) - began))" "$1"; }
fail() { printf 'lead.sh: FAILED: %s\n' "$1" >&2; tail -n 30 /var/log/mosquitto/mosquitto.log >&2 || :; journalctl -u dryshift -u mosquitto -n 40 --no-pager >&2; exit 1; }
began=$(date +%s)
python=/usr/lib/dryshift/bin/python3
here=192.0.2.20
ip link set lo up 2>/dev/null || :
ip addr add $here/32 dev lo

# The phone: takes what is sent to it and writes it down.
cat >/srv/phone.py <<'PY'
import http.server


class Phone(http.server.BaseHTTPRequestHandler):
    def do_POST(self):
        with open("/srv/phone.txt", "ab") as kept:
            kept.write(self.rfile.read(int(self.headers["content-length"])) + b"\n")
        self.send_response(204)
        self.end_headers()

    def log_message(self, *_):
        pass


http.server.ThreadingHTTPServer(("127.0.0.1", 9000), Phone).serve_forever()
PY
touch /srv/phone.txt
systemd-run --quiet --unit=phone $python /srv/phone.py

cat >/srv/answers.toml <<TOML
name = "Ferrymoor Slipway"
timezone = "Europe/London"
code = "D1.1"
seismic = false
welded_with = ["cored wire"]
places = ["Slip Bay: bay"]
steel = ["Slip Bay: 12 mm"]
shifts = ["day: mon-sun 06:00-18:00", "night: mon-sun 18:00-06:00"]
people = ["Ann: web http://127.0.0.1:9000/"]
address = "http://$here:8480"
TOML
step "answers are there"
dryshift setup --answers /srv/answers.toml >/srv/said 2>&1 || { cat /srv/said >&2; fail "setup"; }
grep -v '[█▄▀]' /srv/said
grep -q 'ann-phone: delivered' /srv/said || fail "no test message"
grep -q "Open on the phone: http://$here:8480" /srv/said || fail "no address"
grep -q "/join/" /srv/said || fail "no first link"
step "set up and running; a test message is on the phone"
code=$(curl --silent --output /dev/null --write-out '%{http_code}' http://$here:8480/)
[ "$code" = 200 ] || fail "the printed address answers $code"
dryshift-shop check || fail "check as the service sees it"

dryshift enrol sensor /etc/dryshift/shop.toml slip-bay-1 --out /srv/flash >/srv/said 2>&1 ||
  { cat /srv/said >&2; fail "enrol"; }
grep -v '[█▄▀]' /srv/said | grep -E '^(The broker|slip-bay-1)' || :
step "the sensor is enrolled"

# The sensor, as it was flashed: sea air comes over cold steel.
cat >/srv/sensor.py <<'PY'
import base64
import json
import ssl
import time

import paho.mqtt.client as mqtt

told = json.load(open("/srv/flash/slip-bay-1.json"))
client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id=told["user"])
client.username_pw_set(told["user"], told["password"])
pem = ssl.DER_cert_to_PEM_cert(base64.b64decode(told["ca"]))
client.tls_set_context(ssl.create_default_context(cadata=pem))
client.connect(told["host"], told["port"])
client.loop_start()
start = time.time() - 3 * 3600
sequence = 0
for minute in range(0, 181):
    damp = minute > 60
    celsius, percent = (16.0, 92.0) if damp else (8.0, 55.0)
    at = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(start + 60 * minute))
    sent = {"time": at, "sequence": sequence, "quantities": {"air_temperature": {"value": celsius + 0.01 * (minute % 7), "unit": "Cel"}, "relative_humidity": {"value": percent + 0.1 * (minute % 5), "unit": "%RH"}}}
    client.publish(told["topic"], json.dumps(sent), qos=1).wait_for_publish(20)
    sequence += 1
while True:
    at = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())
    sent = {"time": at, "sequence": sequence, "quantities": {"air_temperature": {"value": 16.0 + 0.01 * (sequence % 7), "unit": "Cel"}, "relative_humidity": {"value": 92.0 + 0.1 * (sequence % 5), "unit": "%RH"}}}
    client.publish(told["topic"], json.dumps(sent), qos=1).wait_for_publish(20)
    sequence += 1
    time.sleep(5)
PY
systemd-run --quiet --unit=sensor $python /srv/sensor.py
step "the sensor sends"
tries=0
until grep -qE 'Slip Bay' /srv/phone.txt; do
  tries=$((tries + 1))
  { [ $tries -lt 1200 ] && systemctl is-active --quiet sensor; } || { systemctl status --no-pager sensor >&2 || :; cat /srv/phone.txt >&2; fail "no warning"; }
  sleep 0.5
done
step "the first warning is on the phone:"
$python -c 'import json; [print("  ", json.loads(line).get("text")) for line in open("/srv/phone.txt")]'
