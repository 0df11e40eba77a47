"""Whether the process lives, and whether it can do its work. Asynchronous: no queue before them."""

from typing import Literal

from fastapi import APIRouter, Request, Response
from fastapi.concurrency import run_in_threadpool
from pydantic import BaseModel
from sqlalchemy.exc import SQLAlchemyError

router = APIRouter(tags=["health"])


class Health(BaseModel):
    """The state of this process."""

    status: Literal["ok", "not ready"]
    reason: str = ""


@router.get("/livez")
async def livez() -> Health:
    """Answer as long as the process runs."""
    return Health(status="ok")


@router.get("/readyz", responses={503: {"model": Health, "description": "Not ready"}})
async def readyz(request: Request, response: Response) -> Health:
    """Answer 200 when the database is there and in its present form."""
    try:
        current = await run_in_threadpool(request.app.state.database.is_current)
    except SQLAlchemyError as error:
        reason = f"the database does not answer ({type(error).__name__})"
    else:
        if current:
            return Health(status="ok")
        reason = "the database has to be upgraded"
    response.status_code = 503
    return Health(status="not ready", reason=reason)
