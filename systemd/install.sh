#!/bin/sh
# Install Treadle as a service on a Raspberry Pi, or take it away again. Asks nothing, and can be
# run as often as one likes. See --help.
set -eu
# The service, which is not root, must be able to read what is installed.
umask 022

usage() {
    cat <<'END'
Usage: sudo systemd/install.sh [--no-start] [--dry-run] [--root DIR]
       sudo systemd/install.sh --uninstall [--dry-run] [--root DIR]

Installs Treadle from the checkout that this script lies in: the programs into
/opt/treadle, the configuration into /etc/treadle (an existing one is kept), and a
service that starts with the machine. Run it again after every update. A running
service is stopped first, so the lamp goes off.

  --no-start   install, but neither enable nor start the service
  --uninstall  stop the service (the lamp goes off) and remove all but the
               configuration, the data, and the user and groups
  --dry-run    print every command, change nothing; needs no rights
  --root DIR   for trying out: work below DIR instead of /, and leave users,
               groups, ownership and the service manager alone; needs no rights
  --help       print this

Needs Python 3.11 or newer with its venv module. Packages come from the package index
that pip is set to use.
END
}

fail() {
    printf 'install.sh: %s\n' "$1" >&2
    exit 1
}

dry_run=no
start=yes
uninstall=no
root=
while [ $# -gt 0 ]; do
    case $1 in
    --dry-run) dry_run=yes ;;
    --no-start) start=no ;;
    --uninstall) uninstall=yes ;;
    --root)
        [ $# -ge 2 ] || fail "--root needs a folder: write --root DIR."
        root=$2
        shift
        ;;
    --help | -h)
        usage
        exit 0
        ;;
    *) fail "there is no option '$1': see install.sh --help." ;;
    esac
    shift
done

if [ -n "$root" ]; then
    case $root in
    /*) ;;
    *) fail "--root needs a folder that starts with /, not '$root'." ;;
    esac
    # Without the slash at the end; "--root /" would be the running system by another name.
    root=${root%/}
    [ -n "$root" ] || fail "--root / is the running system: leave --root out instead."
    [ "$dry_run" = yes ] || [ -d "$root" ] || fail "there is no folder $root: make it first."
fi

checkout=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)
programs=$root/opt/treadle
settings=$root/etc/treadle
config=$settings/treadle.toml
unit=$root/etc/systemd/system/treadle.service
link=$root/usr/local/bin/treadle

# Run a command, or only say so.
run() {
    if [ "$dry_run" = yes ]; then
        printf '    would run: %s\n' "$*"
    else
        "$@"
    fi
}

# Run a command that changes more of the machine than files: not for --root.
run_on_machine() {
    if [ -n "$root" ] && [ "$dry_run" = no ]; then
        return 0
    fi
    run "$@"
}

step() {
    printf '%s\n' "$1"
}

on_machine() {
    [ -z "$root" ] && [ "$dry_run" = no ]
}

# The manager answers with an error where it knows no such service.
stop_service() {
    if [ -z "$root" ] && [ ! -e "$unit" ]; then
        return 0
    fi
    run_on_machine systemctl stop treadle.service ||
        fail "the service could not be stopped, so nothing was changed: look at 'systemctl status treadle', and switch the enlarger off by its own switch."
}

remove_all() {
    step "1/4 stop and disable the service; the lamp goes off"
    stop_service
    if [ -n "$root" ] || [ -e "$unit" ]; then
        run_on_machine systemctl disable treadle.service
    fi

    step "2/4 remove the service from the service manager"
    run rm -f "$unit"
    run_on_machine systemctl daemon-reload

    step "3/4 remove the command $link"
    # Somebody else's file of this name is not ours to remove.
    if [ "$dry_run" = yes ] || [ "$(readlink "$link" || true)" = "$programs/bin/treadle" ]; then
        run rm -f "$link"
    fi

    step "4/4 remove the programs in $programs"
    run rm -rf "$programs"

    step "Kept: the configuration in $settings, the data in $root/var/lib/treadle, drop-ins in $unit.d, the user and group treadle, and the group gpio."
}

check_python() {
    command -v python3 >/dev/null 2>&1 ||
        fail "python3 is missing: install Python 3.11 or newer ('apt install python3 python3-venv')."
    python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' ||
        fail "$(python3 --version) is too old: Treadle needs Python 3.11 or newer."
    python3 -c 'import ensurepip, venv' 2>/dev/null ||
        fail "Python's venv module is missing: install it with 'apt install python3-venv'."
    [ -f "$checkout/pyproject.toml" ] ||
        fail "$checkout is no checkout of Treadle, pyproject.toml is missing: run install.sh from where it lies in the checkout."
}

add_user_and_groups() {
    # The group owns the GPIO chips on a Raspberry Pi; elsewhere it may not be there yet.
    getent group gpio >/dev/null || run_on_machine groupadd --system gpio
    getent group treadle >/dev/null || run_on_machine groupadd --system treadle
    getent passwd treadle >/dev/null ||
        run_on_machine useradd --system --gid treadle --home-dir /var/lib/treadle --no-create-home \
            --shell /usr/sbin/nologin treadle
    run_on_machine usermod --append --groups gpio treadle
}

install_programs() {
    run python3 -m venv "$programs"
    # From a copy: building would leave root's files in the checkout, and take up stale ones.
    if [ "$dry_run" = yes ]; then
        copy='TEMPORARY'
        run mktemp -d
    else
        copy=$(mktemp -d)
        trap 'rm -rf "$copy"' EXIT
    fi
    run cp -R "$checkout/pyproject.toml" "$checkout/README.md" "$checkout/LICENSE" \
        "$checkout/timer" "$checkout/hardware" "$copy/"
    run "$programs/bin/python" -m pip install --quiet --disable-pip-version-check --upgrade \
        "${copy}[gpio]" ||
        fail "pip could not install Treadle into $programs, and the service stays stopped: see above, put it right and run install.sh again."
    run rm -rf "$copy"
}

write_config() {
    run mkdir -p "$settings"
    if [ -e "$config" ]; then
        step "    kept: $config is there already"
    elif [ "$dry_run" = yes ]; then
        printf '    would run: %s config example > %s\n' "$programs/bin/treadle" "$config"
    else
        # By way of a second file: a half-written configuration must not count as "there already".
        "$programs/bin/treadle" config example >"$config.new" || {
            rm -f "$config.new"
            fail "the example configuration could not be written to $config."
        }
        mv "$config.new" "$config"
    fi
    run_on_machine chown -R root:treadle "$settings"
    run chmod 0750 "$settings"
    run chmod 0640 "$config"
}

install_all() {
    check_python

    step "1/8 stop the service if it runs; the lamp goes off"
    stop_service

    step "2/8 user treadle, groups treadle and gpio"
    add_user_and_groups

    step "3/8 programs in $programs"
    install_programs

    step "4/8 configuration $config"
    write_config

    step "5/8 command $link"
    run mkdir -p "$(dirname "$link")"
    run ln -sfn "$programs/bin/treadle" "$link"

    step "6/8 service $unit"
    run mkdir -p "$(dirname "$unit")"
    run cp "$checkout/systemd/treadle.service" "$unit"
    run chmod 0644 "$unit"
    run_on_machine systemctl daemon-reload

    # Without it a power cut in the next half minute leaves files with nothing in them, and to the
    # service manager an empty unit means that the service must not start.
    run_on_machine sync

    caller=${SUDO_USER:-}
    if [ -n "$caller" ] && [ "$caller" != root ]; then
        step "7/8 $caller joins the group treadle, from the next login on"
        run_on_machine usermod --append --groups treadle "$caller"
    else
        step "7/8 nobody called by sudo; others join with 'usermod -aG treadle NAME'"
    fi

    if [ "$start" = yes ]; then
        step "8/8 enable and start the service"
        run_on_machine systemctl enable treadle.service
        run_on_machine systemctl restart treadle.service ||
            fail "the service did not start, and the lamp stays off: look at 'journalctl -u treadle' and correct $config."
        step "Done. See 'treadle --help', and docs/wiring before a lamp is connected."
    else
        step "8/8 not started; later: systemctl enable --now treadle"
        step "Done."
    fi
}

if on_machine && [ "$(id -u)" -ne 0 ]; then
    fail "this changes the system and needs root: run 'sudo $0', or add --dry-run to see what it would do."
fi

if [ "$uninstall" = yes ]; then
    remove_all
else
    install_all
fi
