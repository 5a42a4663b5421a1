"""What a benchmark prints: rows of figures, as JSON or as a table."""

import json
from collections.abc import Sequence
from typing import TextIO

Figure = str | float | bool | None
Row = dict[str, Figure]
"""At least name, ratio, goal and meets, and what was compared: ours_min, reference_min, ours_s and so on."""


def write(rows: Sequence[Row], out: TextIO, *, as_json: bool) -> None:
    """The rows to `out`: a JSON list, or one aligned line for each with the names of all figures above."""
    if as_json:
        json.dump(rows, out, indent=1)
        out.write("\n")
        return
    heads = list(dict.fromkeys(head for row in rows for head in row))
    lines = [heads, *([_word(row.get(head)) for head in heads] for row in rows)]
    widths = [max(len(line[column]) for line in lines) for column in range(len(heads))]
    for line in lines:
        out.write("  ".join(word.rjust(width) for word, width in zip(line, widths, strict=True)) + "\n")


def _word(figure: Figure) -> str:
    if figure is None:
        return "-"
    if isinstance(figure, bool):
        return "yes" if figure else "no"
    return f"{figure:.4g}" if isinstance(figure, float) else str(figure)
