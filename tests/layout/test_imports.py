"""Who may import whom. The table is the one in DEVELOPERS.md; it keeps the decision pure and the simulation honest."""

import ast
import sys

import pytest

from tests.layout.source import Import, imports, imports_of, part_of, trees

KINDS = (
    "core.moment", "core.events", "core.actions", "core.garden", "core.job", "core.site", "core.forecast",
    "core.weather",
)
"""What the core is made of, as against the files in which it decides."""

EVERYTHING = ("",)
MAY_IMPORT: dict[str, tuple[str, ...]] = {
    "agronomy": ("agronomy",),
    "core": ("core", "agronomy"),
    "guard": ("guard", "drivers.gpio"),
    "seams": KINDS,
    "messages": KINDS,
    "settings": ("settings", *KINDS, "agronomy", "guard", "drivers.gpio"),
    "shells": ("shells", "seams", "messages", *KINDS, "settings", "guard"),
    "drivers": ("drivers", "seams", "messages", *KINDS),
    "words": ("words", "core.said", "core.site", "core.garden"),
    "report": ("report", "core", "messages", "settings", "shells.journal", "words"),
    "loop": ("core", "seams", "shells.journal"),
    "sim": ("sim", "core", "seams", "loop", "shells", "settings", "guard", "messages", "report", "drivers.gpio"),
    "assembly": EVERYTHING,
    "daemon": EVERYTHING,
    "service": EVERYTHING,
    "demo": EVERYTHING,
    "commands": EVERYTHING,
    "__main__": EVERYTHING,
    "__init__": (),
}

PURE = frozenset({
    "__future__", "abc", "bisect", "collections", "contextlib", "copy", "dataclasses", "datetime", "enum", "functools",
    "heapq", "itertools", "math", "operator", "re", "statistics", "string", "textwrap", "types", "typing",
})
"""Modules of the standard library that neither ask a clock nor touch anything outside the program."""

HOMES: dict[str, tuple[str, ...]] = {
    "paho": ("drivers/mqtt.py",),
    "requests": ("drivers/http.py",),
    "urllib3": ("drivers/http.py",),
    "gpiozero": ("drivers/gpio.py",),
    "lgpio": ("drivers/gpio.py",),
    "apscheduler": ("drivers/alarm.py",),
    "amqtt": ("drivers/embedded_broker.py",),
    "sqlite3": ("shells/journal.py", "commands/"),
    "jsonpointer": ("shells/payload.py",),
    "rich": ("commands/", "demo/", "report/"),
    "icalendar": ("report/calendar.py",),
    "jinja2": ("report/",),
    "markupsafe": ("report/",),  # comes with jinja2
    "annotated_types": ("settings/",),
    "pydantic": ("settings/", "messages.py", "shells/", "drivers/mqtt.py", "report/", "commands/", "sim/"),
    "pydantic_core": ("settings/", "messages.py", "shells/", "report/", "commands/"),
}
"""Where each library is at home. Those with one file can be exchanged by rewriting that file."""

CLOCKS = frozenset({"now", "utcnow", "today", "time", "monotonic", "perf_counter", "localtime", "gmtime"})


def covers(name: str, allowed: tuple[str, ...]) -> bool:
    return any(not part or name == part or name.startswith(f"{part}.") for part in allowed)


def breaches(found: tuple[Import, ...]) -> list[str]:
    """Imports of ours that the table does not allow."""
    return [str(each) for each in found if each.ours and not covers(each.ours, MAY_IMPORT[part_of(each.file)])]


def test_every_part_has_a_row_in_the_table() -> None:
    assert {part_of(file) for file in trees()} <= MAY_IMPORT.keys()


def test_parts_import_only_what_the_table_allows() -> None:
    assert breaches(imports()) == []


def test_agronomy_and_core_use_only_the_pure_part_of_the_standard_library() -> None:
    pure_parts = [each for each in imports() if part_of(each.file) in ("agronomy", "core") and each.ours is None]
    assert [str(each) for each in pure_parts if each.library not in PURE] == []


def test_guard_needs_nothing_but_the_standard_library_and_the_pins() -> None:
    ours = [each for each in imports() if part_of(each.file) == "guard" and each.ours is None]
    assert [str(each) for each in ours if each.library not in sys.stdlib_module_names] == []


@pytest.mark.parametrize("part", ["agronomy", "core"])
def test_the_decision_asks_no_clock(part: str) -> None:
    asked = [
        f"controller/{file}:{node.lineno} calls {ast.unparse(node.func)}()"
        for file, tree in trees().items()
        if part_of(file) == part
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in CLOCKS
    ]
    assert asked == []


def test_each_library_is_imported_only_where_it_is_at_home() -> None:
    foreign = [each for each in imports() if each.ours is None and each.library not in sys.stdlib_module_names]
    strangers = [str(each) for each in (*foreign, *(i for i in imports() if i.library == "sqlite3"))
                 if not each.file.startswith(HOMES.get(each.library, ("nowhere",)))]
    assert strangers == []


def test_the_simulated_garden_does_not_know_our_agronomy() -> None:
    """Not even by way of another file of the simulator's garden: it would only agree with itself."""
    garden = [file for file in trees() if file.startswith("sim/")]
    assert garden, "the simulated garden has moved"
    assert [str(each) for each in imports() if each.file in garden and covers(each.ours or "-", ("agronomy",))] == []


def test_nobody_imports_the_command_line() -> None:
    assert [str(each) for each in imports() if (each.ours or "").endswith("__main__")] == []


@pytest.mark.parametrize(
    ("file", "line"),
    [
        ("core/plan.py", "from controller.shells.journal import Journal"),
        ("core/plan.py", "from controller import loop"),
        ("agronomy/crop.py", "import controller.core.site"),
        ("sim/bed.py", "from controller.agronomy import crop"),
        ("shells/telemetry.py", "from controller.core.step import step"),
        ("guard/rules.py", "def late():\n    from controller.drivers import mqtt"),
    ],
)
def test_a_breach_would_be_seen(file: str, line: str) -> None:
    assert breaches(tuple(imports_of(file, ast.parse(line)))) != []
