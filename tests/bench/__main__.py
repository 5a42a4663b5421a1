"""`python -m tests.bench NAME [options] [--json]`: one benchmark. Without a name: which there are.

Each is a module of this package with `add_options(parser)` and `rows(options)`; its first line says what it measures.
It is imported only when it is asked for, with whatever outside libraries it compares us with.
The exit status is 0 if every row meets its goal, 1 if not, 2 if the benchmark could not be run.
"""

import argparse
import importlib
import sys
from collections.abc import Sequence
from pkgutil import iter_modules

import tests.bench
from controller.settings import ConfigError
from tests.bench.rows import write

AIDS = frozenset({"__main__", "field", "instruments", "outside", "protocol", "rows"})
"""Modules of this package that are not benchmarks. Tests are not either."""


def main(arguments: Sequence[str]) -> int:
    if not arguments or arguments[0] in ("-h", "--help"):
        print("python -m tests.bench NAME [options] [--json]")
        for name in benchmarks():
            promise = (importlib.import_module(f"tests.bench.{name}").__doc__ or "").partition("\n")[0]
            print(f"  {name:10} {promise}")
        return 0
    name, *rest = arguments
    if name not in benchmarks():
        print(f"tests.bench: no benchmark {name!r}; there are: {', '.join(benchmarks())}", file=sys.stderr)
        return 2
    benchmark = importlib.import_module(f"tests.bench.{name}")
    parser = argparse.ArgumentParser(prog=f"python -m tests.bench {name}", description=benchmark.__doc__)
    parser.add_argument("--json", action="store_true", help="print JSON instead of a table")
    benchmark.add_options(parser)
    options = parser.parse_args(rest)
    try:
        rows = benchmark.rows(options)
    except (OSError, ValueError, ConfigError) as problem:
        print(f"tests.bench {name}: {problem}", file=sys.stderr)
        return 2
    write(rows, sys.stdout, as_json=options.json)
    return 0 if all(row["meets"] for row in rows) else 1


def benchmarks() -> list[str]:
    """The names of the benchmarks, in order."""
    names = (module.name for module in iter_modules(tests.bench.__path__))
    return sorted(name for name in names if name not in AIDS and not name.startswith("test_"))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
