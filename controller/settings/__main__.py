"""Print the JSON schema of the config: `python -m controller.settings > config/seepward.schema.json`."""

import json
from typing import Any

from controller.settings import Settings


def schema() -> dict[str, Any]:
    """The schema an editor can check a config with. What ties keys together it cannot say; `load` can."""
    body = Settings.model_json_schema(by_alias=True)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **body,
        "title": "Seepward config",
        "description": "One garden: its place, its rules, its supply, its zones and its sensors.",
    }


def schema_text() -> str:
    """The schema as the file in config/ holds it."""
    return json.dumps(schema(), indent=2, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    print(schema_text(), end="")
