#!/usr/bin/env bash
# The demo, from nothing: a hot week in a garden of six zones, sped up. Needs bash and Python 3.11 or newer.
# No account, no broker, no hardware. Arguments go to `seepward demo`.
set -euo pipefail
cd "$(dirname "$0")/.."
source deploy/environment.sh

lock=requirements.txt
python=$(find_python)
# The demo's own broker has no ready-made packages for 32-bit ARM; mosquitto takes its place there.
if ! "$python" -c 'import sys; sys.exit(sys.maxsize < 2**32)'; then
    lock=requirements-pi.txt
    [ -x /usr/sbin/mosquitto ] || apt_install mosquitto || fail "needs a broker on a 32-bit system: sudo apt-get install mosquitto"
fi
make_venv "$python" .venv
install_locked .venv "$lock" -e
exec .venv/bin/seepward demo "$@"
