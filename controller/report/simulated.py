"""What a simulation came to, on a terminal."""

import json
from collections.abc import Mapping
from typing import Any

from rich.console import Console
from rich.table import Table

from controller.report.text import say

COLUMNS = (
    ("litres", "litres", 0),
    ("depth_mm", "mm", 1),
    ("waterings", "times", 0),
    ("pulses", "pulses", 0),
    ("open_minutes", "open min", 0),
    ("stress_days", "thirsty d", 0),
    ("drainage_mm", "drained mm", 1),
    ("runoff_mm", "off mm", 1),
)


def show_simulation(out: Console, result: Mapping[str, Any]) -> None:
    """Sums by zone, and whether everything held that must hold."""
    say(out, f"From {result['from']} to {result['to']}, seed {result['seed']}.", "bold")
    out.print()
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    table.add_column("zone")
    for _, heading, _ in COLUMNS:
        table.add_column(heading, justify="right")
    for zone, figures in result["zones"].items():
        table.add_row(zone, *(_figure(figures[key], digits) for key, _, digits in COLUMNS))
    out.print(table)
    out.print()
    say(out, f"{result['site']['litres']:,.0f} L in all.")
    faults = result["faults"]
    if faults["injected"]:
        kinds = ", ".join(f"{count} × {kind}" for kind, count in faults["kinds"].items())
        say(out, f"{faults['injected']} faults were put in: {kinds}.")
        say(out, f"Of those of probes, {faults['noticed']} were noticed.")
    for line in result.get("last_events", ()):
        say(out, line, "dim")
    for broken in result["violations"]:
        say(out, f"Broken: {broken}", "red")
    if result["violations"] and "shrunk" in result:
        fewest = json.dumps(result["shrunk"], ensure_ascii=False)
        say(out, f"The fewest faults found that break the same; write them to a file for --faults: {fewest}")
    if not result["violations"]:
        say(out, "Nothing that must hold was broken.")


def _figure(value: float | None, digits: int) -> str:
    return "–" if value is None else f"{value:,.{digits}f}"
