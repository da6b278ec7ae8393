#!/bin/sh
# Set up Debian's mosquitto for dewline: certificates, users, rights. Safe to run again: what is
# there stays, new users are added.
#
#   sudo deploy/mosquitto/setup.sh broker.lab.example                  one Pi: user dewline
#   sudo deploy/mosquitto/setup.sh broker.lab.example saltmarsh fen    many: a user for each site
#
# The first word is the name by which everybody reaches this machine: it stands in the certificate.
# Passwords are drawn and left in /etc/mosquitto/dewline-passwords/USER, for root only.
set -eu

here=$(cd "$(dirname "$0")" && pwd)
etc=${DESTDIR:-}/etc/mosquitto
name=${1:-}
case $name in
"" | -*) sed -n '2,9s/^# \{0,1\}//p' "$0"; exit 2 ;;
esac
shift
[ $# -gt 0 ] || set -- dewline
umask 077
before=$(stat -c %n%Y%s "$etc"/dewline.* "$etc"/certs/dewline* "$etc"/conf.d/dewline.conf 2>/dev/null || true)

owned() { # by mosquitto, which drops root before it reads
    if getent passwd mosquitto >/dev/null; then chgrp mosquitto "$1"; chmod 0640 "$1"; fi
}

certificates() {
    certs=$etc/certs
    mkdir -p "$certs"
    chmod 0755 "$certs"
    if [ ! -e "$certs/dewline-ca.pem" ]; then
        echo "make a certificate authority: $certs/dewline-ca.pem goes to everybody who connects"
        openssl req -x509 -newkey rsa:3072 -nodes -days 3650 -subj "/CN=dewline broker CA" \
            -addext "basicConstraints=critical,CA:TRUE" -addext "keyUsage=critical,keyCertSign" \
            -keyout "$certs/dewline-ca.key" -out "$certs/dewline-ca.pem" 2>/dev/null
        chmod 0644 "$certs/dewline-ca.pem"
    fi
    if [ ! -e "$certs/dewline-broker.pem" ]; then
        echo "make the broker's certificate for $name"
        openssl req -newkey rsa:3072 -nodes -subj "/CN=$name" \
            -keyout "$certs/dewline-broker.key" -out "$certs/broker.csr" 2>/dev/null
        printf 'subjectAltName=DNS:%s,DNS:localhost,IP:127.0.0.1\nextendedKeyUsage=serverAuth\n' \
            "$name" >"$certs/broker.ext"
        openssl x509 -req -days 3650 -in "$certs/broker.csr" -extfile "$certs/broker.ext" \
            -CA "$certs/dewline-ca.pem" -CAkey "$certs/dewline-ca.key" -CAcreateserial \
            -out "$certs/dewline-broker.pem" 2>/dev/null
        rm "$certs/broker.csr" "$certs/broker.ext"
        chmod 0644 "$certs/dewline-broker.pem"
        owned "$certs/dewline-broker.key"
    fi
}

user() {
    [ -e "$etc/dewline.passwd" ] || touch "$etc/dewline.passwd"
    if grep -q "^$1:" "$etc/dewline.passwd"; then return 0; fi
    mkdir -p "$etc/dewline-passwords"
    echo "add the user $1: its password is in $etc/dewline-passwords/$1"
    openssl rand -hex 16 >"$etc/dewline-passwords/$1"
    # On standard input, never as an argument: everybody can read the process list.
    { cat "$etc/dewline-passwords/$1"; cat "$etc/dewline-passwords/$1"; } |
        mosquitto_passwd "$etc/dewline.passwd" "$1" >/dev/null
    owned "$etc/dewline.passwd"
}

put() {
    if cmp -s "$1" "$2"; then return 0; fi
    echo "write $2"
    install -D -m 0644 "$1" "$2"
}

mkdir -p "$etc"
certificates
for who in "$@" reader desk; do user "$who"; done
put "$here/dewline.acl" "$etc/dewline.acl"
put "$here/dewline.conf" "$etc/conf.d/dewline.conf"
after=$(stat -c %n%Y%s "$etc"/dewline.* "$etc"/certs/dewline* "$etc"/conf.d/dewline.conf)
if [ "$before" = "$after" ]; then
    echo "nothing to change"
elif [ -z "${DESTDIR:-}" ] && [ -d /run/systemd/system ]; then
    systemctl restart mosquitto
fi
