"""Memory and start-up of what the daemon loads, beside bare imports of the same libraries.

Each in fresh processes. The libraries are those that the daemon's import brings in and that are not of Python itself,
module by module. Time is the processor's: what else the machine does is not our doing.
"""

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from typing import NamedTuple

from tests.bench.rows import Row

GOAL = 1.5
"""Ours over bare, for both: the program may weigh half of what it stands on (common practice, no source)."""

MEASURE = """
import json, sys, time
began_s = time.process_time()
{imports}
took_s = time.process_time() - began_s
status = dict(line.split(":", 1) for line in open("/proc/self/status") if ":" in line)
foreign = sorted(
    name for name, module in sys.modules.items()
    if name.partition(".")[0] not in (*sys.stdlib_module_names, "controller", "__main__", "__mp_main__")
    and not name.startswith("_") and getattr(module, "__spec__", None) and getattr(module, "__file__", None)
)
print(json.dumps({{"s": took_s, "mb": int(status["VmRSS"].split()[0]) / 1024.0, "libraries": foreign}}))
"""


def add_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--times", type=int, default=5, help="each is measured so often, in turn; medians count")


def rows(options: argparse.Namespace) -> list[Row]:
    """A row for memory and one for the start."""
    ours, bare = [], []
    with tempfile.TemporaryDirectory() as compiled:
        libraries = measured(["controller.daemon"], compiled).libraries  # which compiles them, once for all
        for _ in range(options.times):
            ours.append(measured(["controller.daemon"], compiled))
            bare.append(measured(libraries, compiled))
    found: list[Row] = []
    for name, key in (("memory", "mb"), ("start", "s")):
        mine, theirs = (statistics.median(getattr(each, key) for each in runs) for runs in (ours, bare))
        found.append({
            "name": name,
            f"ours_{key}": round(mine, 3),
            f"reference_{key}": round(theirs, 3),
            "ratio": round(mine / theirs, 3),
            "goal": GOAL,
            "meets": mine <= GOAL * theirs,
            "libraries": len({name.partition(".")[0] for name in libraries}),
        })
    return found


class Measured(NamedTuple):
    """What a fresh Python took for some imports: processor seconds, resident megabytes; the libraries' modules then."""

    s: float
    mb: float
    libraries: list[str]


def measured(modules: Sequence[str], compiled: str) -> Measured:
    """Import them in a fresh Python. compiled: the folder of its compiled modules."""
    imports = "\n".join(f"import {module}" for module in modules)
    command = [sys.executable, "-c", MEASURE.format(imports=imports)]
    environment = {**os.environ, "PYTHONPYCACHEPREFIX": compiled, "PYTHONDONTWRITEBYTECODE": ""}
    done = subprocess.run(command, capture_output=True, text=True, check=True, env=environment)
    return Measured(**json.loads(done.stdout))
