#!/bin/sh
# Makes a certificate authority and a server certificate for the shop's own broker.
# Usage: make-certificates.sh FOLDER NAME-OR-ADDRESS …    for example: make-certificates.sh certs broker.lan 192.0.2.1
# Run again to renew the server certificate with the same authority; sensors keep their ca.crt.
set -eu
[ $# -ge 2 ] || { sed -n '2,4s/^# //p' "$0"; exit 2; }
folder=$1
shift
mkdir -p "$folder"
umask 077
cd "$folder"

names="DNS:localhost,IP:127.0.0.1"
for name in "$@"; do
  case $name in
    *[!0-9.]*) names="$names,DNS:$name" ;;
    *) names="$names,IP:$name" ;;
  esac
done

if [ ! -f ca.key ]; then
  openssl ecparam -name prime256v1 -genkey -noout -out ca.key
  openssl req -x509 -new -key ca.key -sha256 -days 7300 -subj "/CN=Dryshift sensors" \
    -addext "keyUsage=critical,keyCertSign,cRLSign" -out ca.crt
fi
openssl ecparam -name prime256v1 -genkey -noout -out server.key
openssl req -new -key server.key -sha256 -subj "/CN=$1" -out server.csr
printf 'subjectAltName=%s\nextendedKeyUsage=serverAuth\n' "$names" > server.ext
openssl x509 -req -in server.csr -CA ca.crt -CAkey ca.key -CAcreateserial -sha256 -days 825 \
  -extfile server.ext -out server.crt 2>/dev/null
rm -f server.csr server.ext
chmod 644 ca.crt server.crt
echo "Made $folder/server.crt for $names, good for 825 days."
echo "Keep ca.key off this machine; give ca.crt to every sensor."
