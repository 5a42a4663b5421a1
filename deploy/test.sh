#!/usr/bin/env bash
# All checks, from nothing: style, types, tests. Needs bash and Python 3.11 or newer.
# Arguments go to pytest, as in: bash deploy/test.sh -m published
set -euo pipefail
cd "$(dirname "$0")/.."
source deploy/environment.sh

[ -x /usr/sbin/mosquitto ] || apt_install mosquitto ||
    say "mosquitto is not installed, so tests with a real broker are skipped: sudo apt-get install mosquitto"
command -v chromium chromium-browser > /dev/null || apt_install chromium ||
    say "chromium is not installed, so tests of the page in a browser are skipped: sudo apt-get install chromium"
make_venv "$(find_python)" .venv
install_locked .venv requirements-dev.txt -e

failed=()
say "ruff check"
.venv/bin/ruff check --quiet . || failed+=("ruff check")
say "mypy --strict"
.venv/bin/mypy --strict --no-error-summary || failed+=("mypy --strict")
for each in "${failed[@]}"; do say "FAILED: $each (its words are above); the tests run all the same"; done
say "pytest"
if [ $# -gt 0 ]; then
    .venv/bin/pytest "$@" || failed+=(pytest)
else # two at a time, the longest first: what waits for processes, brokers and clocks beside what only reckons
    reckons=(core sim/test_years.py sim agronomy report words bench settings)
    part() {  # NICENESS ARGUMENT...: one run of pytest, which is told of when it is over
        local told came=0
        told="$(mktemp)"
        nice -n "$1" .venv/bin/pytest "${@:2}" > "$told" 2>&1 || came=$?
        { say "pytest ${*:2}"; cat "$told"; } 2>&1
        rm "$told"
        return "$came"
    }
    export -f part say
    { echo 0 tests "${reckons[@]/#/--ignore=tests/}"
      printf '5 tests/%s\n' "${reckons[@]}" | sed 's|tests/sim$|& --ignore=tests/sim/test_years.py|'
    } | xargs -P 2 -L 1 bash -c 'part "$@"' part || failed+=(pytest)
fi
[ ${#failed[@]} = 0 ]
