"""What all wire models share."""

from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, Field, GetCoreSchemaHandler
from pydantic_core import CoreSchema, core_schema

from api.storage.column_types import Id

Shown = TypeVar("Shown", bound=BaseModel)


def _as_written(schema: Any) -> Any:
    """Return a schema in which true is no 1 and "3" no 3; 3.0 is a whole number as in JSON."""
    if isinstance(schema, list):
        return [_as_written(each) for each in schema]
    if not isinstance(schema, dict):
        return schema
    inside = {
        name: each if name in ("default", "metadata", "serialization") else _as_written(each)
        for name, each in schema.items()
    }
    if inside.get("type") in ("bool", "float"):
        return {**inside, "strict": True}
    if inside.get("type") == "int":
        return core_schema.no_info_before_validator_function(_a_number, inside)
    if inside.get("type") == "str":
        return core_schema.no_info_after_validator_function(_storable, inside)
    return inside


def _a_number(value: object) -> object:
    if isinstance(value, bool | str):
        raise ValueError(f"write a whole number, got {value!r}")
    return value


def _storable(text: str) -> str:
    if "\0" in text:  # PostgreSQL keeps no text with it
        raise ValueError("leave out the character NUL (U+0000)")
    return text


class Given(BaseModel):
    """The body of a request; fields it does not know are refused, and text for a number."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Take numbers and truth values as JSON writes them."""
        schema: CoreSchema = _as_written(handler(source))
        return schema


class WithId(BaseModel):
    """A new record may bring its own id, as it stands in another system."""

    id: Id | None = Field(default=None, description="Your own id; one is made when left out.")


class Kept(BaseModel):
    """A stored record."""

    id: str
    version: int = Field(description="The ETag of the record is this number with a v before it.")


def from_row(model: type[Shown], row: Any, **more: Any) -> Shown:
    """Return a wire model filled from a row, ``more`` taking the place of what the row says."""
    values = {
        name: getattr(row, name)
        for name in model.model_fields
        if name not in more and hasattr(row, name)
    }
    return model.model_validate({**values, **more})


def equals(column: Any, value: Any) -> Any:
    """Return the condition that a column equals a filter, None where none is set."""
    return None if value is None else column == value
