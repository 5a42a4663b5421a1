#!/usr/bin/env bash
# For maintainers: writes the three lock files anew from pyproject.toml. Needs uv. `--upgrade` takes newer versions.
# One file fits every platform and every Python from 3.11 on; each package is pinned by version and hash.
set -euo pipefail
cd "$(dirname "$0")/.."
PATH="$PATH:$PWD/.venv/bin"

lock() {  # FILE [uv's options]
    local file=$1
    shift
    # hatchling and editables build the project itself: locked as well, so that nothing unlocked is ever fetched.
    # pyet: its newest needs an older pandas; left alone, the resolver would take the newest pandas and an old pyet.
    printf "%s\n" "hatchling>=1.27" editables | uv pip compile pyproject.toml - "$@" \
        --constraint <(echo "pyet>=1.5") --output-file "$file" \
        --universal --python-version 3.11 --generate-hashes --no-emit-index-url --no-emit-find-links \
        --no-config --no-annotate --quiet --custom-compile-command "bash deploy/lock.sh" > /dev/null
}

lock requirements.txt --extra demo "$@"
lock requirements-pi.txt --extra pi "$@"
lock requirements-dev.txt --extra demo --extra dev "$@"
