"""The description of the interface as one page, drawn from the OpenAPI document.

It asks for nothing else, so it reads the same without a network: no script, no other host.
"""

import base64
import hashlib
import json
import re
from collections.abc import Iterator, Mapping
from functools import cache
from typing import Any

from markupsafe import Markup, escape

from api.pages.templates import style, template

_STYLE = "reference.css"
_ICON = (
    "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 16 16'>"
    "<circle cx='8' cy='8' r='6.5' fill='#fbf7ef' stroke='#1d1a17' stroke-width='2'/>"
    "<path d='M8 8 11.5 4.5' stroke='#c2410c' stroke-width='2'/></svg>"
)
"""A pressure gauge."""

_CODE = re.compile(r"`([^`]+)`")
_STRONG = re.compile(r"\*\*([^*]+)\*\*")
_LIMITS = {
    "minimum": "at least {}",
    "exclusiveMinimum": "more than {}",
    "maximum": "at most {}",
    "exclusiveMaximum": "less than {}",
    "minLength": "{} characters or more",
    "maxLength": "{} characters or fewer",
    "minItems": "{} or more",
    "maxItems": "{} or fewer",
    "pattern": "matches {}",
    "default": "{} when left out",
}

Document = Mapping[str, Any]


def draw_reference(document: Document) -> str:
    """Return the page for an OpenAPI 3.1 document."""
    return template("reference.html").render(
        style=style(_STYLE),
        icon=f"data:image/svg+xml;base64,{base64.b64encode(_ICON.encode()).decode()}",
        title=document["info"]["title"],
        version=document["info"]["version"],
        about=_prose(document["info"]["description"]),
        server=document["servers"][0]["url"],
        chapters=list(_chapters(document)),
        events=[
            _operation("event", name, operation)
            for name, methods in document.get("webhooks", {}).items()
            for operation in methods.values()
        ],
        schemas=[
            {"name": name, **_schema(schema)}
            for name, schema in sorted(document["components"]["schemas"].items())
        ],
    )


@cache
def reference_policy() -> str:
    """Return the Content-Security-Policy: the page's own style and icon and nothing else."""
    digest = base64.b64encode(hashlib.sha256(style(_STYLE).encode()).digest()).decode()
    return (
        f"default-src 'none'; style-src 'sha256-{digest}'; img-src data:; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )


def _chapters(document: Document) -> Iterator[dict[str, Any]]:
    """One chapter for each tag, with the operations that carry it."""
    for tag in document["tags"]:
        yield {
            "name": tag["name"],
            "id": tag["name"].replace(" ", "-"),
            "about": tag["description"],
            "operations": [
                _operation(method.upper(), path, operation)
                for path, methods in document["paths"].items()
                for method, operation in methods.items()
                if tag["name"] in operation["tags"]
            ],
        }


def _operation(method: str, path: str, operation: Document) -> dict[str, Any]:
    first, _, more = operation.get("description", "").partition("\n\n")
    body = operation.get("requestBody", {})
    return {
        "id": operation["operationId"],
        "method": method,
        "path": path,
        "first": _inline(first),
        "about": _prose(more),
        "open": "security" not in operation,
        "parameters": [
            {
                "name": each["name"],
                "where": each["in"],
                "required": each.get("required", False),
                "shape": _shape(each["schema"]),
                "about": _prose(each.get("description", "")),
            }
            for each in operation.get("parameters", ())
        ],
        "body": [
            {
                "media": media,
                "shape": _shape(content.get("schema", {})),
                "example": _example(content),
            }
            for media, content in body.get("content", {}).items()
        ],
        "replies": [
            {
                "status": status,
                "about": reply.get("description", ""),
                "shapes": [
                    _shape(content["schema"])
                    for content in reply.get("content", {}).values()
                    if content.get("schema")
                ],
            }
            for status, reply in sorted(operation["responses"].items())
        ],
    }


def _schema(schema: Document) -> dict[str, Any]:
    required = set(schema.get("required", ()))
    return {
        "about": _prose(schema.get("description", "")),
        "shape": "" if "properties" in schema else _shape(schema),
        "fields": [
            {
                "name": name,
                "required": name in required,
                "shape": _shape(field),
                "about": _prose(field.get("description", "")),
            }
            for name, field in schema.get("properties", {}).items()
        ],
        "example": _example(schema),
    }


def _shape(schema: Document) -> Markup:
    """What a value looks like, in a few words; names of other schemas lead to them."""
    if "$ref" in schema:
        name = schema["$ref"].rpartition("/")[2]
        return Markup('<a href="#schema-{0}">{0}</a>').format(name)
    for key in ("anyOf", "oneOf", "allOf"):
        if key in schema:
            return Markup(" or ").join(map(_shape, schema[key])) + _limits(schema)
    if "enum" in schema:
        values = Markup(", ").join(_code(value) for value in schema["enum"])
        return Markup("one of {}").format(values) + _limits(schema)
    if "const" in schema:
        return _code(schema["const"])
    match schema.get("type"):
        case "array":
            return Markup("list of {}").format(_shape(schema.get("items", {}))) + _limits(schema)
        case "object" if isinstance(schema.get("additionalProperties"), Mapping):
            inner = _shape(schema["additionalProperties"])
            return Markup("map of {}").format(inner) + _limits(schema)
        case "null":
            return Markup("nothing")
        case str(kind):
            known = f"{kind}, {schema['format']}" if "format" in schema else kind
            return escape(known) + _limits(schema)
        case _:
            return Markup("anything")


def _limits(schema: Document) -> Markup:
    said = [
        words.format(json.dumps(schema[key], ensure_ascii=False))
        for key, words in _LIMITS.items()
        if key in schema and schema[key] is not None
    ]
    return escape(f" ({', '.join(said)})") if said else Markup("")


def _code(value: Any) -> Markup:
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    return Markup("<code>{}</code>").format(text)


def _example(holder: Document) -> str:
    examples = holder.get("examples") or ([holder["example"]] if "example" in holder else [])
    if isinstance(examples, Mapping):
        examples = [each.get("value") for each in examples.values()]
    return json.dumps(examples[0], indent=2, ensure_ascii=False) if examples else ""


def _prose(text: str) -> Markup:
    """Paragraphs, lists, ``code`` and **strong** words; everything else is shown as it is."""
    blocks = re.split(r"\n\s*\n", text.strip()) if text.strip() else []
    return Markup("").join(map(_block, blocks))


def _block(block: str) -> Markup:
    if not block.startswith("* "):
        return Markup("<p>{}</p>").format(_inline(block))
    entries = [_inline(entry) for entry in re.split(r"^\* ", block, flags=re.M) if entry.strip()]
    return Markup("<ul>{}</ul>").format(
        Markup("").join(Markup("<li>{}</li>").format(entry) for entry in entries)
    )


def _inline(text: str) -> Markup:
    marked = _CODE.sub(r"<code>\1</code>", str(escape(" ".join(text.split()))))
    return Markup(_STRONG.sub(r"<b>\1</b>", marked))
