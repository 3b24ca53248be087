"""The description of the interface: of the right form, complete, and its examples true."""

from __future__ import annotations

import inspect
from typing import Any

import pytest
from fastapi.openapi.models import OpenAPI
from jsonschema import Draft202012Validator
from pydantic import BaseModel

from api import advice_schema, plan_schema, schema, season_schema
from tests.api.served import TestClient

MODELS = [
    model
    for module in (schema, plan_schema, season_schema, advice_schema)
    for _, model in inspect.getmembers(module, inspect.isclass)
    if issubclass(model, BaseModel) and model.__module__ == module.__name__
]


@pytest.fixture(scope="session")
def document(client: TestClient) -> dict[str, Any]:
    """The OpenAPI document as it is served."""
    answer: dict[str, Any] = client.get("/openapi.json").json()
    return answer


def test_the_document_is_openapi(document: dict[str, Any]) -> None:
    """It has the form that OpenAPI 3.1 lays down, as the models of the specification read it."""
    assert document["openapi"].startswith("3.1")
    OpenAPI.model_validate(document)


def test_its_schemas_are_json_schemas(document: dict[str, Any]) -> None:
    """Every schema is a valid one of JSON Schema 2020-12."""
    schemas = document["components"]["schemas"]
    assert "StationNowOut" in schemas
    for one in schemas.values():
        Draft202012Validator.check_schema(one)


def test_every_operation_says_what_it_is_for(document: dict[str, Any]) -> None:
    """Each has a summary of its own, and says that its errors are problem documents."""
    operations = [(path, o) for path, item in document["paths"].items() for o in item.values()]
    assert len(operations) >= 12
    summaries = [o.get("summary", "") for _, o in operations]
    assert all(" " in summary for summary in summaries), summaries  # words, not a function's name
    assert len(set(summaries)) == len(summaries)
    for path, operation in operations:
        assert "application/problem+json" in operation["responses"]["422"]["content"], path


def test_operations_name_what_they_refuse(document: dict[str, Any]) -> None:
    """400 and 421 everywhere; 403, 411, 413 and 415 where something is written. Each is a problem document."""
    written = 0
    for path, item in document["paths"].items():
        for method, operation in item.items():
            refusals = {"400", "421", "422"} | ({"503"} if path != "/readyz" else set())
            refusals |= {"403", "411", "413", "415"} if method != "get" else set()
            written += method != "get"
            for status in refusals:
                assert "application/problem+json" in operation["responses"][status]["content"], (path, method, status)
    assert written >= 4


def example(model: type[BaseModel]) -> dict[str, object]:
    """An object made of the first example of each field; of a field without one, what its kind begins with."""
    made: dict[str, object] = {}
    for own_name, field in model.model_fields.items():
        name = field.alias or own_name
        inner = [a for a in getattr(field.annotation, "__args__", ()) if inspect.isclass(a)]
        inner += [field.annotation] if inspect.isclass(field.annotation) else []
        nested = next((a for a in inner if issubclass(a, BaseModel)), None)
        if field.examples:
            made[name] = field.examples[0]
        elif nested is not None:
            made[name] = [example(nested)] if getattr(field.annotation, "__origin__", None) is list else example(nested)
        else:
            made[name] = None if type(None) in inner else "text"
    return made


@pytest.mark.parametrize("model", MODELS, ids=lambda m: m.__name__)
def test_examples_parse_into_their_models(model: type[BaseModel]) -> None:
    """What the document shows as an example is accepted by the model it belongs to, strictly, and comes back equal."""
    made = example(model)
    assert model.model_validate(made, strict=True).model_dump(exclude_unset=True, by_alias=True) == made
    assert any(field.examples for field in model.model_fields.values())


def test_answers_are_what_the_document_says(client: TestClient, document: dict[str, Any]) -> None:
    """Real answers of every operation without arguments fit the schema that the document gives for them."""
    checked = 0
    for path, item in document["paths"].items():
        content = item.get("get", {}).get("responses", {}).get("200", {}).get("content", {})
        described = content.get("application/json", {}).get("schema")
        required = [p for p in item.get("get", {}).get("parameters", []) if p.get("required")]
        if not described or required or "{" in path:
            continue
        whole, answer = {**described, "components": document["components"]}, client.get(path)
        if path == "/api/v1/tour" and answer.status_code == 404:  # of a demo alone; its own tests ask for it
            continue
        Draft202012Validator(whole).validate(answer.json())
        checked += 1
    assert checked >= 6
