"""What the description of the API is put together from: kinds of values, of answers and of requests."""

from __future__ import annotations

from typing import Any

Schema = dict[str, Any]

TEXT: Schema = {"type": "string"}
NUMBER: Schema = {"type": "number"}
WHOLE: Schema = {"type": "integer"}
YES_NO: Schema = {"type": "boolean"}
OBJECT: Schema = {"type": "object"}
ERROR: Schema = {"$ref": "#/components/schemas/Error"}
JAR = {
    "name": "jar",
    "in": "path",
    "required": True,
    "description": "The jar's name.",
    "schema": {**TEXT, "minLength": 1},
}
TOKEN = {
    "name": "X-Jartide-Token",
    "in": "header",
    "required": False,
    "description": "The token of GET api/session, with the cookie that came with it; not with a bearer token.",
    "schema": TEXT,
}


def get_of(summary: str, schema: Schema, *errors: int, parameters: list[Schema] | None = None) -> Schema:
    """A look: what comes with 200, and what else may."""
    name = "".join(word.capitalize() for word in summary.split()[:6])
    return {
        "summary": summary,
        "operationId": name,
        **({"parameters": parameters} if parameters else {}),
        "responses": {
            "200": {"description": summary, "content": json_of(schema)},
            **errors_of(401, *errors),
        },
    }


def post_of(summary: str, schema: str, *errors: int) -> Schema:
    """A telling about a jar, answered with its place in the order of arrival."""
    told = object_of(seq=WHOLE, at_s=NUMBER)
    return {
        "summary": summary,
        "operationId": schema.lower(),
        "parameters": [JAR, TOKEN],
        "requestBody": {"required": True, "content": json_of(ref(schema))},
        "responses": {
            "201": {"description": "Kept; the daemon picks it up within a second", "content": json_of(told)},
            **errors_of(400, 401, 403, 404, 413, 415, 422, 503, *errors),
        },
    }  # fmt: skip


def changed(summary: str, body: str, answer: Schema, *errors: int) -> Schema:
    """What a person changes that is about no one jar."""
    return {
        "summary": summary,
        "operationId": "".join(word.capitalize() for word in summary.split()[:6] if word.isalpha()),
        "parameters": [TOKEN],
        "requestBody": {"required": True, "content": json_of(ref(body))},
        "responses": {
            "201": {"description": summary, "content": json_of(answer)},
            **errors_of(400, 401, 403, 413, 415, 422, 503, *errors),
        },
    }


def errors_of(*statuses: int) -> Schema:
    """The answers that are one sentence."""
    words = {
        400: "The body is not JSON, or the host is not the page's", 401: "Not signed in",
        403: "Read only, or not from here",
        404: "There is none",
        409: "Just entered already, not the last entry, a name that is taken, or the wrong password",
        413: "Too long", 415: "Not application/json",
        422: "A value that is not possible", 503: "The store cannot be read just now, or too many requests",
    }  # fmt: skip
    return {str(status): {"description": words[status], "content": json_of(ERROR)} for status in sorted(statuses)}


def json_of(schema: Schema) -> Schema:
    """JSON of that form."""
    return {"application/json": {"schema": schema}}


def ref(name: str) -> Schema:
    """A form described under that name."""
    return {"$ref": f"#/components/schemas/{name}"}


def object_of(**properties: Schema) -> Schema:
    """An object with at least these keys."""
    return {"type": "object", "required": list(properties), "properties": properties}


def strict(**properties: Schema) -> Schema:
    """An object with none but these keys."""
    return {"type": "object", "additionalProperties": False, "properties": properties}


def list_of(of: Schema) -> Schema:
    """A list of such."""
    return {"type": "array", "items": of}


def maybe(schema: Schema) -> Schema:
    """That, or null."""
    return {"anyOf": [schema, {"type": "null"}]}
