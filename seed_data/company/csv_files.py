"""Records written as CSV: a header of column names, then one line per record.

Lists are separated by spaces, maps are ``key=value`` pairs, closed periods ``first/last`` days,
instants end in Z and an empty cell is null.
"""

import csv
from collections.abc import Sequence
from dataclasses import fields
from datetime import UTC, date, datetime
from io import StringIO
from typing import Any

from seed_data.company.records import (
    Absence,
    Client,
    Contract,
    DemoCompany,
    Examination,
    Part,
    Reading,
    Site,
    Technician,
    Unit,
    Work,
)

RECORD_OF_FILE: dict[str, type] = {
    "clients": Client,
    "contracts": Contract,
    "sites": Site,
    "technicians": Technician,
    "absences": Absence,
    "machines": Unit,
    "fitted_parts": Part,
    "work_done": Work,
    "meter_readings": Reading,
    "examinations": Examination,
}


def csv_texts(company: DemoCompany) -> dict[str, str]:
    """Return the text of every CSV file by file name."""
    return {
        f"{name}.csv": _csv_text(record, getattr(company, name))
        for name, record in RECORD_OF_FILE.items()
    }


def _csv_text(record: Any, rows: Sequence[Any]) -> str:
    columns = [column.name for column in fields(record)]
    text = StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([_cell(getattr(row, column)) for column in columns] for row in rows)
    return text.getvalue()


def _cell(value: object) -> str:
    match value:
        case None:
            return ""
        case bool():
            return "true" if value else "false"
        case datetime():
            return f"{value.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"
        case date():
            return value.isoformat()
        case dict():
            return " ".join(f"{key}={amount}" for key, amount in value.items())
        case tuple():
            return " ".join(
                "/".join(map(_cell, item)) if isinstance(item, tuple) else _cell(item)
                for item in value
            )
        case float():
            return f"{value:.5f}".rstrip("0").rstrip(".")
        case _:
            return str(value)
