#!/usr/bin/env bash
# Installs Seepward on a Raspberry Pi (or another Debian 12 or 13) as a service that starts with the machine.
# Run it again for an update: what you have written into /etc is kept. It opens no valve and starts no watering.
set -euo pipefail
cd "$(dirname "$0")/.."
source deploy/environment.sh
umask 022

HOME_DIR=/opt/seepward
CONFIG_DIR=/etc/seepward
BROKER_DIR=/etc/mosquitto

[ "$(id -u)" = 0 ] || fail "writes to /opt, /etc and the broker's users, so it needs root: sudo bash deploy/install.sh"
command -v apt-get > /dev/null || fail "needs Debian or Raspberry Pi OS; elsewhere follow deploy/INSTALL.md by hand"
[ "$(uname -m)" != armv6l ] || fail "needs a Raspberry Pi 2 or newer (Zero 2 W included); for ARMv6 there are no packages"

did=()
left=()

packages() {
    local wanted=(mosquitto python3-venv)
    # There is no ready-made lgpio for Python 3.13 and later in the lock: the system's own is taken.
    python3 -c 'import sys; sys.exit(sys.version_info < (3, 13))' && wanted+=(python3-lgpio)
    apt_install "${wanted[@]}" || fail "apt could not install ${wanted[*]}; is the network there?"
    did+=("Debian packages: ${wanted[*]}")
}

program() {
    local python
    python=$(find_python)
    make_venv "$python" "$HOME_DIR" --system-site-packages
    install_locked "$HOME_DIR" requirements-pi.txt
    install -m 0644 deploy/INSTALL.md "$HOME_DIR/INSTALL.md"
    ln -sfn "$HOME_DIR/bin/seepward" /usr/local/bin/seepward
    did+=("the program in $HOME_DIR, the command seepward in /usr/local/bin")
    "$HOME_DIR/bin/python" -c 'import lgpio' 2> /dev/null ||
        left+=("the pins cannot be driven yet, lgpio is missing: sudo apt-get install python3-lgpio")
}

user_and_unit() {
    install -D -m 0644 deploy/seepward.sysusers /usr/lib/sysusers.d/seepward.conf
    systemd-sysusers seepward.conf
    install -D -m 0644 deploy/seepward.service /etc/systemd/system/seepward.service
    [ ! -d /run/systemd/system ] || systemctl daemon-reload
    did+=("user and group seepward, the service seepward (not enabled, not started)")
    if [ -n "${SUDO_USER:-}" ] && [ "$SUDO_USER" != root ]; then
        usermod -aG seepward "$SUDO_USER"
        did+=("user $SUDO_USER joined the group seepward and may read the journal, from the next login on")
    fi
}

config() {
    install -d -m 0750 -g seepward "$CONFIG_DIR"
    if [ -e "$CONFIG_DIR/garden.toml" ]; then
        did+=("kept your $CONFIG_DIR/garden.toml")
        return
    fi
    { cat config/small.toml
        printf '\n# The broker on this machine, as deploy/install.sh has set it up.\n'
        printf '[mqtt]\nusername = "seepward"\npassword_file = "%s/mqtt-password"\n' "$CONFIG_DIR"
    } > "$CONFIG_DIR/garden.toml"
    chgrp seepward "$CONFIG_DIR/garden.toml"
    chmod 0640 "$CONFIG_DIR/garden.toml"
    did+=("an example config in $CONFIG_DIR/garden.toml")
    left+=("describe your garden: sudo nano $CONFIG_DIR/garden.toml")
}

secret() {  # a random password of 192 bits, never shown, never in a command line
    [ -s "$CONFIG_DIR/mqtt-password" ] || (
        umask 0027
        python3 -c 'import secrets; print(secrets.token_urlsafe(24))' > "$CONFIG_DIR/mqtt-password"
    )
    chgrp seepward "$CONFIG_DIR/mqtt-password"
    chmod 0640 "$CONFIG_DIR/mqtt-password"
}

broker_user() {  # the user seepward among the broker's, with the password of $CONFIG_DIR/mqtt-password
    local users=$BROKER_DIR/seepward.pw fresh
    fresh=$(mktemp)
    { printf 'seepward:'; cat "$CONFIG_DIR/mqtt-password"; } > "$fresh"
    mosquitto_passwd -U "$fresh"
    [ ! -e "$users" ] || grep -v '^seepward:' "$users" >> "$fresh" || true
    install -m 0640 -g mosquitto "$fresh" "$users"
    rm -f "$fresh"
}

broker() {
    secret
    # A broker that somebody has set up already is left as it is.
    if grep -qsE '^[[:space:]]*(listener|port)[[:space:]]' "$BROKER_DIR/mosquitto.conf" \
        $(find "$BROKER_DIR/conf.d" -name '*.conf' ! -name seepward.conf 2> /dev/null); then
        left+=("your broker has listeners of its own and was left alone: give it the user seepward with the password in $CONFIG_DIR/mqtt-password and the rights in deploy/mosquitto-seepward.acl")
        return
    fi
    broker_user
    if [ -e "$BROKER_DIR/seepward.acl" ]; then
        did+=("kept your $BROKER_DIR/seepward.acl")
    else
        install -m 0640 -g mosquitto deploy/mosquitto-seepward.acl "$BROKER_DIR/seepward.acl"
    fi
    if [ -e "$BROKER_DIR/conf.d/seepward.conf" ]; then
        did+=("kept your $BROKER_DIR/conf.d/seepward.conf")
    else
        install -m 0644 deploy/mosquitto-seepward.conf "$BROKER_DIR/conf.d/seepward.conf"
    fi
    [ ! -d /run/systemd/system ] || systemctl restart mosquitto
    did+=("the broker: this machine only, no entry without a password; user seepward with a random one")
    left+=("give every sensor a user and a right of its own: $BROKER_DIR/seepward.acl says how")
}

hardware() {
    local boot=/boot/firmware/config.txt
    if [ -e "$boot" ] && ! grep -qs '^dtparam=strict_gpiod' "$boot"; then
        left+=("let the pins fall back when their program dies: add dtparam=strict_gpiod to $boot and reboot")
    fi
    grep -qsrE '^RuntimeWatchdogSec=[1-9]' /etc/systemd/system.conf /etc/systemd/system.conf.d ||
        left+=("let the board restart when it hangs: RuntimeWatchdogSec=10 under [Manager] in /etc/systemd/system.conf.d/watchdog.conf")
}

packages
program
user_and_unit
config
broker
hardware
left+=("check everything, with the water shut off: seepward check --live")
left+=("then start it: sudo systemctl enable --now seepward")
if [ -d /run/systemd/system ] && systemctl --quiet is-active seepward; then
    left=("the service runs with the old program until: sudo systemctl restart seepward" "${left[@]}")
fi

printf '\nDone:\n'
printf '  - %s\n' "${did[@]}"
printf '\nLeft for you (deploy/INSTALL.md says more, read its cautions first):\n'
printf '  - %s\n' "${left[@]}"
