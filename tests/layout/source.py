"""The project's own source as the layout tests see it: files parsed, imports listed, nothing run."""

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "controller"


@dataclass(frozen=True, slots=True)
class Import:
    """One imported module: by whom (path below the package), in which line, and its full name."""

    file: str
    line: int
    name: str

    @property
    def library(self) -> str:
        return self.name.partition(".")[0]

    @property
    def ours(self) -> str | None:
        """The name within our package ("core.moment"), None for what is not ours."""
        return self.name.removeprefix("controller.") if self.library == "controller" else None

    def __str__(self) -> str:
        return f"controller/{self.file}:{self.line} imports {self.name}"


@cache
def trees() -> dict[str, ast.Module]:
    """Every module of the package, parsed, by its path below the package."""
    files = sorted(PACKAGE.rglob("*.py"))
    return {str(file.relative_to(PACKAGE)): ast.parse(file.read_text("utf-8")) for file in files}


@cache
def imports() -> tuple[Import, ...]:
    """Every import of the package, also those inside functions."""
    return tuple(each for file, tree in trees().items() for each in imports_of(file, tree))


def imports_of(file: str, tree: ast.AST) -> Iterator[Import]:
    """The imports of one module. `from package import name` counts as package.name where that is a module of ours."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (Import(file, node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.module, f"{file}:{node.lineno}: imports are absolute here"
            assert node.level == 0, f"{file}:{node.lineno}: imports are absolute here"
            for alias in node.names:
                below = f"{node.module}.{alias.name}"
                yield Import(file, node.lineno, below if _is_module(below) else node.module)


def _is_module(name: str) -> bool:
    path = ROOT.joinpath(*name.split("."))
    return path.with_suffix(".py").exists() or (path / "__init__.py").exists()


def part_of(file: str) -> str:
    """The part of the package a file belongs to: its directory, or its own name if it stands on top."""
    return file.split("/")[0].removesuffix(".py")
