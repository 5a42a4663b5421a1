# Sourced by test.sh, demo.sh and install.sh: the project in a virtual environment, with locked versions.
# Needs bash and a Python from 3.11 on; speaks only when it has something to say.

fail() {  # one line: what is wrong, what to do
    echo "$(basename "$0"): $*" >&2
    exit 1
}

say() { echo "--- $*" >&2; }

as_root() {  # runs a command as root, without ever asking for a password; false if that cannot be
    if [ "$(id -u)" = 0 ]; then "$@"
    elif command -v sudo > /dev/null && sudo -n true 2> /dev/null; then sudo -n "$@"
    else return 1
    fi
}

apt_install() {  # PACKAGE...: false if there is no apt, no right to use it, or no such package
    command -v apt-get > /dev/null || return 1
    as_root true || return 1
    say "apt installs $*"
    local apt=(env DEBIAN_FRONTEND=noninteractive apt-get -qq)
    as_root "${apt[@]}" install -y --no-install-recommends "$@" > /dev/null 2>&1 && return 0
    # The lists may be old or, on a fresh machine, not there at all.
    as_root "${apt[@]}" update > /dev/null 2>&1 || true
    as_root "${apt[@]}" install -y --no-install-recommends "$@" > /dev/null 2>&1
}

find_python() {  # prints a Python from 3.11 on
    local each
    for each in "${PYTHON:-python3}" python3.13 python3.12 python3.11; do
        if "$each" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2> /dev/null; then
            command -v "$each"
            return
        fi
    done
    fail "needs Python 3.11 or newer; this system has $(python3 --version 2>&1). Debian 12 and later bring it."
}

make_venv() {  # PYTHON DIRECTORY [option of venv]
    local python=$1 venv=$2
    if "$venv/bin/python" -c 'import pip, sys; sys.exit(sys.version_info < (3, 11))' 2> /dev/null; then return; fi
    if ! "$python" -c 'import ensurepip, venv' 2> /dev/null; then
        local package
        package=$("$python" -c 'import sys; print("python%d.%d-venv" % sys.version_info[:2])')
        apt_install "$package" || fail "needs the package $package: sudo apt-get install $package"
        "$python" -c 'import ensurepip, venv' 2> /dev/null || fail "Python's module ensurepip is missing: sudo apt-get install $package"
    fi
    say "making a virtual environment in $venv"
    "$python" -m venv --clear "${@:3}" "$venv" || fail "no virtual environment could be made in $venv; remove it and try again"
}

# The machine's own index, proxy and certificates are kept. Further indexes, link lists and constraints are not:
# the lock names every version with its hash, and an index that cannot be reached would only stand in the way.
pip_locked() {  # VENV [pip's arguments]
    local python=$1/bin/python key value kept=()
    shift
    for key in index-url proxy cert client-cert trusted-host timeout retries; do
        value=$("$python" -m pip config get "global.$key" 2> /dev/null) || continue
        kept+=("PIP_$(echo "${key^^}" | tr - _)=$value")
    done
    env -u PIP_EXTRA_INDEX_URL -u PIP_FIND_LINKS -u PIP_CONSTRAINT -u PIP_BUILD_CONSTRAINT -u PIP_REQUIRE_VIRTUALENV \
        -u PIP_NO_INDEX -u PIP_TARGET -u PIP_PREFIX -u PIP_USER -u PIP_REQUIREMENT -u PYTHONPATH \
        "${kept[@]}" PIP_CONFIG_FILE=/dev/null PIP_DISABLE_PIP_VERSION_CHECK=1 PIP_ROOT_USER_ACTION=ignore \
        "$python" -m pip "$@"
}

install_locked() {  # VENV LOCK [-e]: locked packages, then the project (with -e as a link to this directory)
    local venv=$1 lock=$2 mark log stamp
    stamp=$venv/installed-${lock%.txt}
    mark=$(cat "$lock" pyproject.toml | sha256sum | cut -d' ' -f1)-$("$venv/bin/python" -c 'import platform; print(platform.python_version())')
    if [ -n "${3:-}" ] && [ "$(cat "$stamp" 2> /dev/null)" = "$mark" ]; then return; fi
    say "installing what $lock names into $venv (a few minutes the first time)"
    log=$(mktemp)
    # --no-build-isolation: the project is built with the hatchling of the lock, not with one fetched now.
    if ! { pip_locked "$venv" install --quiet --require-hashes -r "$lock" &&
        pip_locked "$venv" install --quiet --no-deps --no-build-isolation --force-reinstall ${3:+"$3"} .; } > "$log" 2>&1; then
        cat "$log" >&2
        rm -f "$log"
        fail "pip could not install what $lock names (its own words are above); is the network there?"
    fi
    rm -f "$log"
    echo "$mark" > "$stamp"
}
