"""The preloaded libraries, built where a C compiler is."""

import shutil
import subprocess
from pathlib import Path

COMPILER = shutil.which("gcc") or shutil.which("cc")


def build(name: str, folder: Path) -> Path:
    """`recorder` or `clock` as a shared library in a folder. RuntimeError without a compiler."""
    if COMPILER is None:
        raise RuntimeError("there is no C compiler here")
    library = folder / f"{name}.so"
    source = Path(__file__).with_name(f"{name}.c")
    subprocess.run([COMPILER, "-shared", "-fPIC", "-O1", "-o", str(library), str(source), "-ldl"], check=True)
    return library
