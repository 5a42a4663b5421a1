"""The simulated garden shares no formula with what it tests: checked in the source, not by trust."""

import ast
import sys
from pathlib import Path

import pytest

SIM = Path(__file__).parents[2] / "controller" / "sim"
PHYSICS = ("dice", "sun", "sky", "demand", "ground", "hands", "bed", "instruments", "outlook", "plot")
KINDS = {"controller.core.site", "controller.core.forecast", "controller.core.moment"}


def imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}: relative import"
            names.add(node.module or "")
    return names


@pytest.mark.parametrize("name", PHYSICS)
def test_physics_imports_kinds_and_its_own_only(name: str) -> None:
    ours = {module for module in imported(SIM / f"{name}.py") if module.startswith("controller")}
    assert ours <= KINDS | {f"controller.sim.{other}" for other in PHYSICS}


@pytest.mark.parametrize("name", PHYSICS)
def test_physics_needs_the_standard_library_only(name: str) -> None:
    outside = {module.split(".")[0] for module in imported(SIM / f"{name}.py")} - {"controller"}
    assert outside <= sys.stdlib_module_names


def test_no_file_of_the_simulator_imports_the_agronomy() -> None:
    files = sorted(SIM.glob("*.py"))
    assert len(files) >= len(PHYSICS)
    for path in files:
        assert not any(module.startswith("controller.agronomy") for module in imported(path)), path.name
