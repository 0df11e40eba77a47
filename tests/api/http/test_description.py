"""The OpenAPI document: complete, unambiguous, its examples true."""

from collections.abc import Iterator
from typing import Any

import pytest
from fastapi.testclient import TestClient
from pydantic import BaseModel, ValidationError

from api.auth import Role
from api.http.wire import Given

ALWAYS = {"401", "403", "405", "422", "500", "503"}
WITHOUT_KEY = {
    "/feeds/{secret}/{name}.ics",
    "/livez",
    "/readyz",
    "/w/{secret}/{appointment}",
}


@pytest.fixture
def document(nobody: TestClient) -> dict[str, Any]:
    described: dict[str, Any] = nobody.get("/v1/openapi.json").json()
    return described


def _operations(document: dict[str, Any]) -> list[tuple[str, str, dict[str, Any]]]:
    return [
        (path, method, operation)
        for path, methods in document["paths"].items()
        for method, operation in methods.items()
    ]


def test_operations_have_names_of_their_own_a_tag_and_a_text(document: dict[str, Any]) -> None:
    operations = [operation for _, _, operation in _operations(document)]
    names = [operation["operationId"] for operation in operations]
    assert sorted(set(names)) == sorted(names)
    known = {tag["name"] for tag in document["tags"]}
    assert {tag for operation in operations for tag in operation["tags"]} == known
    assert [each["operationId"] for each in operations if not each.get("description")] == []


def test_every_error_is_documented_as_a_problem(document: dict[str, Any]) -> None:
    for path, method, operation in _operations(document):
        if path in WITHOUT_KEY:
            continue
        replies = operation["responses"]
        errors = {status for status in replies if status >= "400"}
        assert errors >= ALWAYS, path
        if "{" in path:
            assert "404" in errors, path
        if "requestBody" in operation:
            assert "400" in errors, path
        if any(each["name"] == "if-match" for each in operation.get("parameters", [])):
            assert errors >= {"412", "428"}, path
        for status in errors:
            (media_type,) = replies[status]["content"]
            assert media_type == "application/problem+json", (path, method, status)
    assert "HTTPValidationError" not in document["components"]["schemas"]


def test_every_operation_but_secret_addresses_and_health_needs_a_key(
    document: dict[str, Any],
) -> None:
    open_paths = {path for path, _, each in _operations(document) if "security" not in each}
    assert open_paths == WITHOUT_KEY


def test_every_reference_leads_somewhere(document: dict[str, Any]) -> None:
    def references(value: Any) -> set[str]:
        if isinstance(value, dict):
            found = {value["$ref"]} if isinstance(value.get("$ref"), str) else set()
            return found.union(*map(references, value.values()))
        return set().union(*map(references, value)) if isinstance(value, list) else set()

    schemas = document["components"]["schemas"]
    assert {name.removeprefix("#/components/schemas/") for name in references(document)} <= set(
        schemas
    )


def test_every_body_has_an_example_and_it_is_true(nobody: TestClient) -> None:
    annotations = [
        route.body_field.field_info.annotation
        for route in nobody.app.state.routes  # type: ignore[attr-defined]
        if getattr(route, "body_field", None) is not None
    ]
    bodies: list[type[BaseModel]] = [each for each in annotations if each is not bytes]
    assert len(bodies) >= 20
    for body in bodies:
        extra = body.model_config.get("json_schema_extra")
        assert isinstance(extra, dict), body
        examples = extra["examples"]
        assert isinstance(examples, list)
        for example in examples:
            body.model_validate(example)


def _given(model: type[BaseModel] = Given) -> Iterator[type[BaseModel]]:
    for each in model.__subclasses__():
        yield each
        yield from _given(each)


def test_numbers_and_truth_values_are_written_as_json_writes_them() -> None:
    # what the description calls a number is none of these; JSON Schema counts 3.0 as whole
    wrong: dict[str, list[object]] = {
        "integer": [True, "3", 1.5],
        "number": [False, "3"],
        "boolean": [1, "true"],
    }
    tried = 0
    for model in _given():
        described = model.model_json_schema()["properties"]
        for name, schema in described.items():
            for value in wrong.get(schema.get("type", ""), []):
                with pytest.raises(ValidationError) as refused:
                    model.model_validate({name: value})
                assert (name,) in [error["loc"] for error in refused.value.errors()], model
                tried += 1
    assert tried >= 80
    assert Rules.model_validate({"calls": 3.0, "share": 1, "open": True}) == Rules(
        calls=3, share=1.0, open=True
    )


class Rules(Given):
    """A body as any other."""

    calls: int
    share: float
    open: bool


def test_roles_are_described(document: dict[str, Any]) -> None:
    assert document["components"]["schemas"]["Role"]["enum"] == [str(role) for role in Role]
    for role in Role:
        assert role in document["info"]["description"]
