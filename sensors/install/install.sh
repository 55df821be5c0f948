#!/bin/sh
# Installs drymon-sensors from this checkout as a service:
#   sudo sensors/install/install.sh
# Safe to run again: it brings the program up to date and leaves the configuration and the buffer alone.
#
# Trial without root:  ROOT=/some/folder sensors/install/install.sh
# puts everything below that folder, to be run from there; no packages, no user, no services.
set -eu
umask 022

ROOT=${ROOT:-}
PREFIX=${PREFIX:-$ROOT/opt/drymon-sensors}
CONFIG=$ROOT/etc/drymon-sensors
STATE=$ROOT/var/lib/drymon-sensors
PYTHON=${PYTHON:-python3}

here=$(cd "$(dirname "$0")" && pwd -P)
checkout=$(cd "$here/.." && pwd)

say() { printf '== %s\n' "$*"; }
stop() { printf 'install.sh: %s\n' "$*" >&2 && exit 1; }
as_root() { [ -n "$ROOT" ] || "$@"; } # what only a real installation does

# A file of this folder, with the places of this installation in it.
place() { # place FILE TARGET MODE
    mkdir -p "$(dirname "$2")"
    sed -e "s|/opt/drymon-sensors|$PREFIX|g" -e "s|/etc/drymon-sensors|$CONFIG|g" "$here/$1" >"$2"
    chmod "$3" "$2"
}

examine() {
    [ -n "$ROOT" ] || [ "$(id -u)" = 0 ] || stop "needs root: sudo $0  (or a trial: ROOT=/some/folder $0)"
    "$PYTHON" -c 'import sys; sys.exit(sys.version_info < (3, 9))' || stop "needs Python 3.9 or newer"
}

packages() {
    say "packages of the distribution"
    apt-get update -qq
    DEBIAN_FRONTEND=noninteractive apt-get install -y -qq python3-venv >/dev/null
}

user() {
    id drymon-sensors >/dev/null 2>&1 ||
        useradd --system --home-dir "$STATE" --shell /usr/sbin/nologin --groups dialout drymon-sensors
    install -d -o drymon-sensors -g drymon-sensors -m 0750 "$STATE" "$CONFIG"
}

program() {
    say "program: $PREFIX"
    mkdir -p "$PREFIX"
    [ -x "$PREFIX/bin/python" ] || "$PYTHON" -m venv "$PREFIX"
    source=$(mktemp -d) # built from a copy: nothing of root's is left in the checkout
    (cd "$checkout" && tar cf - drymon_sensors pyproject.toml README.md LICENSE) | tar xf - -C "$source"
    "$PREFIX/bin/python" -m pip install -q --disable-pip-version-check --upgrade "$source[serial]"
    rm -rf "$source"
    mkdir -p "$PREFIX/share/doc/drymon-sensors"
    cp -r "$checkout/README.md" "$checkout/wiring" "$PREFIX/share/doc/drymon-sensors/"
    place drymon-sensors "$ROOT/usr/local/bin/drymon-sensors" 0755
}

config() {
    say "configuration: $CONFIG"
    mkdir -p "$CONFIG" "$STATE"
    [ -e "$CONFIG/broker.password" ] || (umask 077 && : >"$CONFIG/broker.password")
    as_root chown drymon-sensors: "$CONFIG/broker.password"
}

service() {
    say "service: drymon-sensors"
    place drymon-sensors.service "$ROOT/etc/systemd/system/drymon-sensors.service" 0644
    place 61-drymon-sensors.rules "$ROOT/etc/udev/rules.d/61-drymon-sensors.rules" 0644
    as_root udevadm control --reload
    as_root systemctl daemon-reload
    as_root systemctl enable -q drymon-sensors
}

examine
as_root packages
as_root user
program
config
service
say "done; now: drymon-sensors find"
