#!/bin/sh
# An authority of the works' own and a certificate for its broker: make-certificates.sh FOLDER HOST [HOST ...]
# Keep ca.key away from the broker's machine. Ask the works' IT whether they have an authority already.
set -eu
folder=${1:?usage: make-certificates.sh FOLDER HOST [HOST ...]}
shift
[ $# -gt 0 ] || { echo "name the broker's host names or addresses" >&2; exit 2; }
umask 077
mkdir -p "$folder"
cd "$folder"
names=""
for host in "$@"; do
  case $host in
    *[!0-9.]*) names="$names,DNS:$host" ;;
    *) names="$names,IP:$host" ;;
  esac
done
[ -f ca.key ] || openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 3650 \
  -keyout ca.key -out ca.crt -subj "/CN=everymetre works authority" \
  -addext "basicConstraints=critical,CA:TRUE" -addext "keyUsage=critical,keyCertSign,cRLSign" 2>/dev/null
openssl req -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -keyout server.key -out server.csr \
  -subj "/CN=$1" 2>/dev/null
printf 'subjectAltName=%s\nextendedKeyUsage=serverAuth\n' "${names#,}" > server.ext
openssl x509 -req -in server.csr -CA ca.crt -CAkey ca.key -CAcreateserial -days 825 -extfile server.ext -out server.crt 2>/dev/null
rm server.csr server.ext
chmod 644 ca.crt server.crt
echo "ca.crt, server.crt and server.key are in $folder; give ca.crt to every client"
