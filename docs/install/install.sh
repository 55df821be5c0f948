#!/bin/sh
# Installs drymon from this checkout as a service, with the distribution's mosquitto as its broker:
#   sudo docs/install/install.sh
# Safe to run again: it brings the program up to date and leaves room.toml, passwords and the record alone.
#
# Trial without root:  ROOT=/some/folder docs/install/install.sh
# puts everything below that folder, to be run from there; no packages, no user, no services.
set -eu
umask 022

ROOT=${ROOT:-}
PREFIX=${PREFIX:-$ROOT/opt/drymon}
ROOM=${ROOM:-$ROOT/var/lib/drymon}
BROKER=$ROOT/etc/mosquitto
MQTT_PORT=${MQTT_PORT:-1883}
PYTHON=${PYTHON:-python3}

here=$(cd "$(dirname "$0")" && pwd -P)
checkout=$(cd "$here/../.." && pwd)

say() { printf '== %s\n' "$*"; }
stop() { printf 'install.sh: %s\n' "$*" >&2 && exit 1; }
as_root() { [ -n "$ROOT" ] || "$@"; } # what only a real installation does

# A file of this folder, with the places of this installation in it.
place() { # place FILE TARGET MODE
    mkdir -p "$(dirname "$2")"
    sed -e "s|/opt/drymon|$PREFIX|g" -e "s|/var/lib/drymon|$ROOM|g" -e "s|/etc/mosquitto|$BROKER|g" \
        -e "s|^listener 1883|listener $MQTT_PORT|" "$here/$1" >"$2"
    chmod "$3" "$2"
}

examine() {
    [ -n "$ROOT" ] || [ "$(id -u)" = 0 ] || stop "needs root: sudo $0  (or a trial: ROOT=/some/folder $0)"
    [ "$(getconf LONG_BIT)" = 64 ] || stop "this system is 32 bit; drymon needs a 64-bit one (reinstall with the 64-bit image)"
    "$PYTHON" -c 'import sys; sys.exit(sys.version_info < (3, 11))' || stop "needs Python 3.11 or newer"
}

packages() {
    say "packages of the distribution"
    apt-get update -qq
    DEBIAN_FRONTEND=noninteractive apt-get install -y -qq python3-venv mosquitto mosquitto-clients >/dev/null
}

user() {
    id drymon >/dev/null 2>&1 || useradd --system --home-dir "$ROOM" --shell /usr/sbin/nologin drymon
    install -d -o drymon -g drymon -m 0750 "$ROOM"
}

program() {
    say "program: $PREFIX"
    mkdir -p "$PREFIX"
    [ -x "$PREFIX/bin/python" ] || "$PYTHON" -m venv "$PREFIX"
    source=$(mktemp -d) # built from a copy: nothing of root's is left in the checkout
    (cd "$checkout" && tar cf - drymon models demo_streams pyproject.toml README.md LICENSE) | tar xf - -C "$source"
    "$PREFIX/bin/python" -m pip install -q --disable-pip-version-check --upgrade "$source"
    rm -rf "$source"
    mkdir -p "$PREFIX/share/doc/drymon"
    cp "$checkout"/docs/*.md "$PREFIX/share/doc/drymon/"
    place drymon-wrapper "$ROOT/usr/local/bin/drymon" 0755
    place drymon-sensor "$ROOT/usr/local/bin/drymon-sensor" 0755
}

room() {
    mkdir -p "$ROOM"
    [ -e "$ROOM/room.toml" ] && return
    say "room: $ROOM"
    "$PREFIX/bin/drymon" init --home "$ROOM" >/dev/null
    (umask 077 && od -An -N18 -tx1 /dev/urandom | tr -d ' \n' >"$ROOM/broker.password")
    cat >>"$ROOM/room.toml" <<TOML


# Written by install.sh: this machine's mosquitto.
[broker]
host = "localhost"
port = $MQTT_PORT
username = "drymon"
password_file = "broker.password"
TOML
    as_root chown -R drymon:drymon "$ROOM"
}

broker() {
    say "broker: $BROKER/conf.d/drymon.conf"
    [ -e "$BROKER/conf.d/drymon.conf" ] || place mosquitto.conf "$BROKER/conf.d/drymon.conf" 0644
    [ -e "$BROKER/drymon.acl" ] || place acl "$BROKER/drymon.acl" 0600
    if [ ! -e "$BROKER/drymon.passwd" ]; then
        (umask 077 && printf 'drymon:%s\n' "$(cat "$ROOM/broker.password")" >"$BROKER/drymon.passwd")
        mosquitto_passwd -U "$BROKER/drymon.passwd"
    fi
    as_root chown mosquitto: "$BROKER/drymon.acl" "$BROKER/drymon.passwd"
}

service() {
    say "service: drymon"
    place drymon.service "$ROOT/etc/systemd/system/drymon.service" 0644
    as_root systemctl daemon-reload
    as_root systemctl enable -q mosquitto drymon
    as_root systemctl restart mosquitto drymon
}

examine
as_root packages
as_root user
program
room
broker
service
say "done; now: drymon check"
