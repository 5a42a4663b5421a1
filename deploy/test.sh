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
else # two halves of about a like length: what only reckons runs beside what waits for processes, brokers and clocks
    # (the simulator's days of faults go to the other half, to make them even)
    reckons=(tests/agronomy tests/bench tests/core tests/report tests/settings tests/words tests/sim/test_[!f]*.py)
    told="$(mktemp)"
    trap 'rm -f "$told"' EXIT
    nice .venv/bin/pytest "${reckons[@]}" > "$told" 2>&1 &
    .venv/bin/pytest "${reckons[@]/#/--ignore=}" || failed+=("pytest, what waits")
    wait $! || failed+=("pytest, what reckons")
    cat "$told"
fi
[ ${#failed[@]} = 0 ]
