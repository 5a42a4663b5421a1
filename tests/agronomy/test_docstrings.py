"""The worked number in every docstring is run."""

import doctest
import importlib
import pkgutil

import pytest

import controller.agronomy

MODULES = [module.name for module in pkgutil.iter_modules(controller.agronomy.__path__)]


@pytest.mark.parametrize("name", MODULES)
def test_worked_numbers(name: str) -> None:
    result = doctest.testmod(importlib.import_module(f"controller.agronomy.{name}"))
    assert result.attempted > 0
    assert result.failed == 0
