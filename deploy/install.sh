#!/bin/sh
# Put dewline on Raspberry Pi OS or Debian as a service. Safe to run again: what is as it should be
# is left alone, your config, secrets and record always are.
#
#   sudo deploy/install.sh            install, or bring up to date after a git pull or a new secret
#   deploy/install.sh --dry-run       say what would be done, change nothing
#   sudo deploy/install.sh --remove   take program and service away; config and record stay
#
# dewline observes and warns; it is no safety system (README.md, "Cautions and limits").
set -eu

clone=$(cd "$(dirname "$0")/.." && pwd)
home=/opt/dewline
etc=/etc/dewline
units=/etc/systemd/system
ours="dewline.service dewline-backup.service dewline-backup.timer"
packages="python3 python3-venv ca-certificates"

dry=no
remove=no
for word in "$@"; do
    case $word in
    --dry-run) dry=yes ;;
    --remove) remove=yes ;;
    -h | --help) sed -n '2,9s/^# \{0,1\}//p' "$0"; exit 0 ;;
    *) echo "install.sh: $word is unknown; there are --dry-run and --remove" >&2; exit 2 ;;
    esac
done
if [ "$dry" = no ] && [ "$(id -u)" != 0 ]; then
    echo "install.sh: needs root: sudo $0 $*" >&2
    exit 1
fi

changes=0
restart=no

# act WORDS COMMAND...: print WORDS, then make one change.
act() {
    changes=$((changes + 1))
    if [ "$dry" = yes ]; then echo "would $1"; return 0; fi
    echo "$1"
    shift
    "$@"
}

running() { [ -d /run/systemd/system ]; }

# put SOURCE TARGET: copy a file where it differs, owned by root, mode 0644.
put() {
    if cmp -s "$1" "$2"; then return 0; fi
    act "write $2" install -D -m 0644 "$1" "$2"
    restart=yes
}

folder() { # folder PATH MODE
    if [ ! -d "$1" ]; then act "make $1" install -d -m "$2" "$1"; fi
}

missing_packages() {
    for name in $packages; do
        state=$(dpkg-query -W -f '${db:Status-Status}' "$name" 2>/dev/null || true)
        [ "$state" = installed ] || printf '%s ' "$name"
    done
}

get_packages() {
    apt-get update -qq
    # shellcheck disable=SC2086
    DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $1 >/dev/null
}

# A hash over the sources: the same sources are not installed twice.
fingerprint() {
    (
        cd "$clone"
        find pyproject.toml deploy/constraints.txt daemon simulators -type f \
            ! -path '*/__pycache__/*' ! -path '*.egg-info/*' -print0 |
            LC_ALL=C sort -z | xargs -0 sha256sum
        python3 --version
    ) 2>/dev/null | sha256sum | cut -d ' ' -f 1
}

get_program() {
    if ! python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))'; then
        echo "install.sh: dewline needs Python 3.11 or newer: Debian 12 or newer has it" >&2
        exit 1
    fi
    scratch=$(mktemp -d)
    # A copy, so that building leaves no files owned by root in your clone.
    (cd "$clone" && tar -c pyproject.toml README.md LICENSE daemon simulators) | tar -x -C "$scratch"
    [ -x "$home/venv/bin/pip" ] || python3 -m venv "$home/venv"
    # The versions that the tests ran with.
    "$home/venv/bin/pip" install -q --disable-pip-version-check \
        -c "$clone/deploy/constraints.txt" "${scratch}[influx,push]"
    "$home/venv/bin/pip" install -q --disable-pip-version-check --force-reinstall --no-deps "$scratch"
    rm -rf "$scratch"
    echo "$1" >"$home/.installed"
    restart=yes
}

# The example with a place for the record, until you write your own.
example() {
    sed 's|^site: .*|&\njournal: {path: /var/lib/dewline/lab.db}|' "$clone/config/first.yaml"
}

put_example() { example | install -D -m 0644 /dev/stdin "$etc/dewline.yaml"; }

# A line for every secret: systemd gives them to the daemon, which cannot read the folder.
credentials() {
    printf '# Written by install.sh from the files in %s/secrets.\n[Service]\n' "$etc"
    for file in "$etc"/secrets/*; do
        [ -f "$file" ] || continue
        printf 'LoadCredential=%s:%s\n' "$(basename "$file")" "$file"
    done
}

write_credentials() { credentials | install -D -m 0644 /dev/stdin "$1"; }

put_credentials() {
    if [ -d "$etc/secrets" ] && ! [ -r "$etc/secrets" ]; then
        echo "(secrets are not looked at: only root can)"
        return 0
    fi
    target=$units/dewline.service.d/secrets.conf
    if credentials | cmp -s - "$target"; then return 0; fi
    act "write $target" write_credentials "$target"
    restart=yes
}

enabled() { [ "$(systemctl is-enabled "$1" 2>/dev/null || true)" = enabled ]; }
active() { running && systemctl -q is-active "$1"; }

switch_on() {
    enabled "$1" || act "enable $1" systemctl -q enable "$1"
}

start() {
    running || { echo "systemd does not run here: nothing is started"; return 0; }
    active dewline-backup.timer || act "start dewline-backup.timer" systemctl start dewline-backup.timer
    if ! active dewline; then
        act "start dewline" systemctl start dewline
    elif [ "$restart" = yes ]; then
        act "restart dewline" systemctl restart dewline
    fi
}

install_all() {
    wanted=$(missing_packages)
    [ -z "$wanted" ] || act "install $wanted" get_packages "$wanted"
    getent passwd dewline >/dev/null ||
        act "add the user dewline" useradd --system --home-dir /var/lib/dewline --shell /usr/sbin/nologin dewline
    folder "$home" 0755
    folder "$etc" 0755
    folder "$etc/secrets" 0700
    mark=$(fingerprint)
    [ "$(cat "$home/.installed" 2>/dev/null || true)" = "$mark" ] ||
        act "install the program in $home/venv (minutes on a Pi)" get_program "$mark"
    [ "$(readlink /usr/local/bin/dewline || true)" = "$home/venv/bin/dewline" ] ||
        act "link /usr/local/bin/dewline" ln -sfn "$home/venv/bin/dewline" /usr/local/bin/dewline
    put "$clone/README.md" "$home/README.md"
    [ -e "$etc/dewline.yaml" ] || act "write an example to $etc/dewline.yaml" put_example

    before=$changes
    for unit in $ours; do put "$clone/deploy/systemd/$unit" "$units/$unit"; done
    put_credentials
    if [ "$changes" != "$before" ] && running; then act "tell systemd" systemctl daemon-reload; fi

    if [ "$dry" = yes ] && [ ! -x "$home/venv/bin/dewline" ]; then return 0; fi
    if example | cmp -s - "$etc/dewline.yaml"; then
        echo "next: write your lab into $etc/dewline.yaml, then: dewline check $etc/dewline.yaml"
        echo "      and run this again: it starts the service once the config is yours and right"
        return 0
    fi
    found=0
    "$home/venv/bin/dewline" check "$etc/dewline.yaml" >/dev/null 2>&1 || found=$?
    if [ "$found" -gt 1 ]; then
        echo "$etc/dewline.yaml has mistakes; nothing is started. See: dewline check $etc/dewline.yaml"
        return 0
    fi
    # Grave warnings start it all the same: a daemon that misses one signal watches the others.
    [ "$found" -eq 0 ] || echo "WARNING: something is not watched. See: dewline check $etc/dewline.yaml"
    switch_on dewline.service
    switch_on dewline-backup.timer
    start
}

remove_all() {
    for unit in dewline.service dewline-backup.timer; do
        if active "$unit"; then act "stop $unit" systemctl stop "$unit"; fi
        if enabled "$unit"; then act "disable $unit" systemctl -q disable "$unit"; fi
    done
    for path in "$units/dewline.service.d/secrets.conf" /usr/local/bin/dewline; do
        if [ -e "$path" ] || [ -L "$path" ]; then act "remove $path" rm -f "$path"; fi
    done
    for unit in $ours; do
        if [ -e "$units/$unit" ]; then act "remove $units/$unit" rm -f "$units/$unit"; fi
    done
    if [ -d "$units/dewline.service.d" ]; then
        act "remove $units/dewline.service.d if empty" \
            rmdir --ignore-fail-on-non-empty "$units/dewline.service.d"
    fi
    if [ -d "$home" ]; then act "remove $home" rm -rf "$home"; fi
    if [ "$changes" != 0 ] && running; then act "tell systemd" systemctl daemon-reload; fi
    echo "kept: $etc (config, secrets), /var/lib/dewline (the record) and the user dewline"
}

if [ "$remove" = yes ]; then remove_all; else install_all; fi
if [ "$changes" = 0 ]; then echo "nothing to change"; fi
