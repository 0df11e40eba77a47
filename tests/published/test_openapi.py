"""The description of the API against OpenAPI 3.1 itself.

The document is judged by ``openapi-spec-validator``, which carries the JSON schemas the OpenAPI
Initiative publishes for OpenAPI 3.1; the examples of bodies by ``jsonschema`` (draft 2020-12, the
dialect OpenAPI 3.1 prescribes) against the schemas they stand in.
"""

from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from openapi_spec_validator import OpenAPIV31SpecValidator

from api.http.app import create_app
from api.storage.database import Database
from seed_data.catalogue import load_catalogue


@pytest.fixture(scope="module")
def document(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    file: Path = tmp_path_factory.mktemp("description") / "steamround.sqlite"
    database = Database(f"sqlite:///{file}")
    return create_app(database, load_catalogue(), public_url="https://plan.example.org").openapi()


def test_the_description_is_valid_openapi_3_1(document: dict[str, Any]) -> None:
    assert document["openapi"].startswith("3.1.")
    assert list(OpenAPIV31SpecValidator(document).iter_errors()) == []


def test_the_validator_notices_a_broken_description(document: dict[str, Any]) -> None:
    broken = {name: part for name, part in document.items() if name != "info"}
    (error,) = OpenAPIV31SpecValidator(broken).iter_errors()
    assert "is a required property" in error.message  # the quotes are each validator's own
    assert "info" in error.message


def test_examples_of_bodies_fit_their_schemas(document: dict[str, Any]) -> None:
    examples = 0
    for name, schema in document["components"]["schemas"].items():
        root = {"$ref": f"#/components/schemas/{name}", "components": document["components"]}
        for example in schema.get("examples", ()):
            examples += 1
            faults = [error.message for error in Draft202012Validator(root).iter_errors(example)]
            assert (name, faults) == (name, [])
    assert examples >= 20
