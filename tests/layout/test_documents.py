"""The documents are true: paths in them exist, commands in them can be parsed by the program that they call."""

import argparse
import importlib
import importlib.util
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from typing import NoReturn

import pytest

from controller.commands import COMMANDS
from tests.layout.source import ROOT

DOCUMENTS = ("README.md", "DEVELOPERS.md", "deploy/INSTALL.md")
TOPS = ("controller", "config", "deploy", "tests", ".ci")
SYSTEM = frozenset({"nano", "systemctl", "mosquitto_passwd", "rm"})
"""Programs of the system that the documents tell people to use."""
PICTURES = "deploy/pictures/"
"""Rendered from real runs; a document may name one before it is there."""


def text_of(document: str) -> str:
    return (ROOT / document).read_text("utf-8")


def shell_lines(document: str) -> list[str]:
    """The lines of every code block that is marked as shell."""
    blocks = re.findall(r"^[ ]*```sh\n(.*?)^[ ]*```", text_of(document), flags=re.M | re.S)
    return [line.strip() for block in blocks for line in block.splitlines() if line.strip()]


LINES = [(document, line) for document in DOCUMENTS for line in shell_lines(document)]


class ComplainingParser(argparse.ArgumentParser):
    """Raises instead of ending the program."""

    def error(self, message: str) -> NoReturn:
        raise ValueError(message)


def objections(line: str) -> Iterator[str]:
    """What is wrong with a command line of a document."""
    program, *arguments = shlex.split(line.removeprefix("sudo "))
    name = program.removeprefix(".venv/bin/")
    if name == "seepward":
        yield from objections_to_command(arguments)
    elif name == "bash":
        if not (ROOT / arguments[0]).is_file():
            yield f"there is no {arguments[0]}"
    elif name in ("python", "python3"):
        if arguments[0] != "-m" or importlib.util.find_spec(arguments[1]) is None:
            yield f"there is no module {arguments[1]}"
    elif name in ("pytest", "ruff", "mypy"):
        yield from (f"there is no {each}" for each in arguments if each.startswith(TOPS) and not (ROOT / each).exists())
    elif name not in SYSTEM:
        yield f"{program} is not known here"


def objections_to_command(arguments: list[str]) -> Iterator[str]:
    """What the program itself would say of its arguments."""
    command, *rest = arguments
    if command not in COMMANDS:
        yield f"there is no command {command}"
        return
    parser = ComplainingParser()
    importlib.import_module(f"controller.commands.{command}").add_arguments(parser)
    taken = {option for action in parser._actions for option in action.option_strings}
    for option in ("--config", "--journal"):
        parser.add_argument(option)
    if "--json" not in taken:
        parser.add_argument("--json", action="store_true")
    try:
        given = parser.parse_args(rest)
    except ValueError as error:
        yield str(error)
        return
    if given.config and not given.config.startswith("/") and not (ROOT / given.config).is_file():
        yield f"there is no {given.config}"


@pytest.mark.parametrize(("document", "line"), LINES)
def test_a_command_line_in_a_document_works(document: str, line: str) -> None:
    assert list(objections(line)) == []


def test_the_documents_have_command_lines() -> None:
    assert {document for document, _ in LINES} == set(DOCUMENTS)
    named = {shlex.split(line)[1] for document, line in LINES if line.startswith("seepward ")}
    assert {"plan", "why", "log", "jobs", "water", "stop", "hold", "release", "close", "report", "simulate"} <= named


@pytest.mark.parametrize(
    "line",
    ["seepward dance", "seepward water", "seepward hold --untill 3", "bash deploy/none.sh", "frobnicate",
     ".venv/bin/python -m tests.none", "seepward stop --config config/none.toml"],
)  # fmt: skip
def test_a_wrong_command_line_would_be_seen(line: str) -> None:
    assert list(objections(line)) != []


def test_a_run_of_marked_tests_can_read_all_of_them() -> None:
    """`-m` among the arguments once kept the outside crop model from being imported, and so every such run from
    beginning."""
    asked = [sys.executable, "-m", "pytest", "-m", "published", "--collect-only", "tests/bench", "tests/agronomy"]
    found = subprocess.run(asked, cwd=ROOT, capture_output=True, text=True, check=False)
    assert found.returncode == 0, found.stdout[-2000:]


@pytest.mark.parametrize("document", DOCUMENTS)
def test_paths_in_a_document_exist(document: str) -> None:
    text = text_of(document)
    below = "|".join(re.escape(top) for top in TOPS)
    named = set(re.findall(rf"(?<![\w/.])((?:{below})/[\w./-]*\w/?)", text))
    here = (ROOT / document).parent
    linked = {link for link in re.findall(r"\]\(([^)#]+)\)", text) if "://" not in link}
    gone = {path for path in named if not path.startswith(PICTURES) and not (ROOT / path).exists()}
    gone |= {link for link in linked if not link.startswith(PICTURES) and not (here / link).exists()}
    assert gone == set()


def test_the_words_of_the_command_table_are_all_explained_in_the_readme() -> None:
    readme = text_of("README.md")
    assert [command for command in COMMANDS if f"seepward {command}" not in readme] == []


def test_the_topics_in_the_readme_are_those_of_the_program() -> None:
    from controller.messages import TOPICS

    table = dict(re.findall(r"^\| `([^`]+)` \| (?:out|in) \| (yes|no|refused) \|", text_of("README.md"), flags=re.M))
    assert table.keys() == {topic.path.replace("{id}", "<id>") for topic in TOPICS}
    assert {path for path, kept in table.items() if kept == "yes"} == {
        topic.path.replace("{id}", "<id>") for topic in TOPICS if topic.retained
    }


def test_the_table_of_imports_in_the_document_names_every_part() -> None:
    text = text_of("DEVELOPERS.md")
    rows = set(re.findall(r"`controller/(\w+)(?:/|\.py)`[^|]*\|", text))
    parts = {path.stem for path in (ROOT / "controller").iterdir() if not path.stem.startswith("__")}
    assert parts <= rows
