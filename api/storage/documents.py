"""Values kept whole in a JSON column: worksheets, findings of triage, problem files."""

import gzip
import json
from collections.abc import Mapping
from typing import Any

from pydantic import TypeAdapter

from scheduler.routing.problem import Problem
from scheduler.routing.problem_file import problem_from_json, problem_to_json
from scheduler.triage import Finding
from scheduler.worksheet import Worksheet
from scheduler.worksheet import off_span as span_off

_WORKSHEET = TypeAdapter(Worksheet)
_FINDING = TypeAdapter(Finding)


def worksheet_to_json(worksheet: Worksheet) -> dict[str, Any]:
    """Return a worksheet as it is stored."""
    return _ordered(_WORKSHEET.dump_python(worksheet, mode="json"))


def worksheet_from_json(document: dict[str, Any]) -> Worksheet:
    """Return a stored worksheet."""
    return _WORKSHEET.validate_python(document)


def off_span(document: Mapping[str, Any]) -> tuple[int, int] | None:
    """Return from which minute of a stored worksheet to which a machine is off; None if none is."""
    steps = document.get("steps", ())
    return span_off((step["state"], step["start_minute"], step["minutes"]) for step in steps)


def finding_to_json(finding: Finding) -> dict[str, Any]:
    """Return an answer of triage as it is stored."""
    return _ordered(_FINDING.dump_python(finding, mode="json"))


def finding_from_json(document: dict[str, Any]) -> Finding:
    """Return a stored answer of triage."""
    return _FINDING.validate_python(document)


def pack_problem(problem: Problem) -> bytes:
    """Return a problem file packed with gzip; the same bytes for the same problem."""
    text = json.dumps(problem_to_json(problem), separators=(",", ":"))
    return gzip.compress(text.encode(), mtime=0)


def unpack_problem(packed: bytes) -> Problem:
    """Return a packed problem."""
    return problem_from_json(json.loads(gzip.decompress(packed)))


def _ordered(document: dict[str, Any]) -> dict[str, Any]:
    """Sort what was a set, so that the same value is always stored as the same text."""
    return {key: sorted(value) if key == "skills" else value for key, value in document.items()}
