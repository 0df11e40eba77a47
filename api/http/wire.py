"""What all wire models share."""

from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, Field

from api.storage.column_types import Id

Shown = TypeVar("Shown", bound=BaseModel)


class Given(BaseModel):
    """The body of a request; fields it does not know are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True)


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
