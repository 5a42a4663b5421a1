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
    printf "hatchling>=1.27\neditables\n" | uv pip compile pyproject.toml - "$@" --output-file "$file" \
        --universal --python-version 3.11 --generate-hashes --no-emit-index-url --no-emit-find-links \
        --no-config --no-annotate --quiet --custom-compile-command "bash deploy/lock.sh" > /dev/null
}

lock requirements.txt --extra demo "$@"
lock requirements-pi.txt --extra pi "$@"
lock requirements-dev.txt --extra demo --extra dev "$@"
