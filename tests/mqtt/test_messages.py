"""The description of the interface: valid by the official schema, complete, and up to date."""

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from controller.messages import TOPICS, Topic, asyncapi, view_model

HERE = Path(__file__).parent
ROOT = HERE.parent.parent


@pytest.mark.published(source="AsyncAPI 3.0.0, official JSON schema (npm @asyncapi/specs 6.11.1, schemas/3.0.0.json)")
def test_the_document_is_valid_asyncapi() -> None:
    schema = json.loads((HERE / "asyncapi-3.0.0.schema.json").read_text(encoding="utf-8"))
    judge = jsonschema.Draft7Validator(schema)
    document = json.loads(json.dumps(asyncapi()))
    assert list(judge.iter_errors(document)) == []
    document["operations"]["ask"]["action"] = "listen"
    assert list(judge.iter_errors(document)), "the schema would take anything"


def test_the_file_in_config_is_up_to_date() -> None:
    written = json.loads((ROOT / "config" / "asyncapi.json").read_text(encoding="utf-8"))
    assert written == asyncapi(), "run python -m controller.messages > config/asyncapi.json"


def test_every_reference_leads_somewhere() -> None:
    document = asyncapi()

    def references(part: Any) -> list[str]:
        if isinstance(part, dict):
            own = [part["$ref"]] if isinstance(part.get("$ref"), str) else []
            return own + [found for value in part.values() for found in references(value)]
        return [found for value in part for found in references(value)] if isinstance(part, list) else []

    found = references(document)
    assert len(found) > 20
    for reference in found:
        place: Any = document
        for step in reference.removeprefix("#/").split("/"):
            place = place[step]
        assert isinstance(place, dict)


@pytest.mark.parametrize("topic", TOPICS, ids=lambda topic: topic.name)
def test_every_example_fits_its_model_and_its_published_schema(topic: Topic) -> None:
    text = json.dumps(topic.example)
    topic.model.model_validate_json(text)
    document = asyncapi()
    schema = {"$ref": f"#/components/schemas/{topic.model.__name__}", "components": document["components"]}
    judge = jsonschema.Draft202012Validator(schema)
    full = topic.model.model_validate_json(text).model_dump_json()
    judge.validate(json.loads(full))
    with pytest.raises(jsonschema.ValidationError):
        judge.validate({**json.loads(full), "surprise": 1})


def test_every_field_says_what_it_is_in_one_sentence() -> None:
    for name, schema in asyncapi()["components"]["schemas"].items():
        for key, field in schema.get("properties", {}).items():
            assert field.get("description", "").endswith("."), f"{name}.{key}"


def test_paths_find_their_models() -> None:
    assert view_model("zone/tomatoes").__name__ == "ZoneView"
    assert view_model("plan").__name__ == "PlanView"
    for wrong in ("zone", "plan/x", "ask", "answer", ""):
        with pytest.raises(KeyError):
            view_model(wrong)
