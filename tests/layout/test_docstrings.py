"""Every file states its promise, every public class and function what it is for."""

import ast

from tests.layout.source import trees

DESCRIBED_ONCE = {"commands/": {"add_arguments", "run"}}
"""What every file of a directory has, described in its __init__."""


def described_once(file: str, name: str) -> bool:
    return any(file.startswith(where) and name in names for where, names in DESCRIBED_ONCE.items())


def public(tree: ast.Module) -> list[ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef]:
    kinds = ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef
    return [node for node in tree.body if isinstance(node, kinds) and not node.name.startswith("_")]


def test_every_file_states_its_promise() -> None:
    assert [file for file, tree in trees().items() if tree.body and not ast.get_docstring(tree)] == []


def test_every_public_class_and_function_says_what_it_is_for() -> None:
    silent = [
        f"controller/{file}:{node.lineno} {node.name}"
        for file, tree in trees().items()
        for node in public(tree)
        if not ast.get_docstring(node) and not described_once(file, node.name)
    ]
    assert not silent, "\n".join(silent)
