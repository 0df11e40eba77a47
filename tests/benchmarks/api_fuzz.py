"""Schemathesis against the whole API, as two clients' portals, a dispatcher and a technician.

    python -m tests.benchmarks.api_fuzz [--seconds 60] [--seed 1] [--examples 20]

Starts the service on a fresh small company and lets Schemathesis try every operation of the
OpenAPI document with good and bad data, all checks on. One run is made as a dispatcher; another as
client A's portal with client B's as its peer, which tries every object that A has created or seen.
Exits with 1 when any check fails.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import httpx
import uvicorn

from api.actions.keys import create_key
from api.auth import Role
from api.http.app import create_app
from api.storage.audit import Origin
from api.storage.database import Database
from api.storage.tables import CompanyRow
from seed_data.catalogue import load_catalogue
from tests.api.http.conftest import NOW, of_client

_PORT = 18_431
_ORIGIN = Origin(actor="fuzz")


def _fill(database: Database) -> dict[str, str]:
    """Store two clients with a café each; return a key by the name of its holder."""
    database.create_or_upgrade()
    with database.write() as session:
        session.add(
            CompanyRow(
                id=1, name="Vapora", zone="Europe/Oslo", currency="NOK", holiday_country="NO",
                workshop_lat=60.39, workshop_lon=5.32,
            )
        )  # fmt: skip
        for each in ("a", "b"):
            session.add_all(of_client(each))
    keys = {}
    for name, role, bound in (
        ("dispatcher", Role.DISPATCHER, {}),
        ("portal-a", Role.PORTAL, {"client": "c-a"}),
        ("portal-b", Role.PORTAL, {"client": "c-b"}),
    ):
        _, keys[name] = create_key(database, name=name, role=role, now=NOW, origin=_ORIGIN, **bound)
    return keys


# What a schema cannot say, so that a request that is valid by the schema may still be refused. Each
# status is allowed as an answer to good data only for these reasons; all checks stay on.
_EXPECTED = {
    "positive_data_acceptance": (
        # 412: which version is current only a look at the record can tell
        ["2xx", "3xx", "401", "403", "404", "409", "412", "429"],
        # 422 as well, by operation: why
        {
            "list_|absence_hits": "a cursor is given out by a page of the very list; an interval "
            "ends after it begins",
            "add_|replace_|put_stock": "ids name records and parts, hours and zones follow "
            "grammars of their own, and fields depend on each other",
            "interval_decision|preview|economic_life|pressure_pattern|plan|telephone": "the "
            "question has to make sense: rules, years and readings that belong together, and "
            "callers no more than the people can answer",
            "shortages|get_load|_wear": "days are meant by somebody (1950 to 2199), and the next "
            "visit comes after today",
            "correct|record_|report_|upload_|book_|hold_|move_|accept_|replay_|set_|rotate_": (
                "ids name records, instants are meant by somebody (1950 to 2199)"
            ),
        },
    ),
    # 412: a version tag that nobody was given is no version's
    "negative_data_rejection": (
        ["400", "401", "403", "404", "405", "406", "409", "412", "415", "422", "428", "429"],
        {},
    ),
    # 428 and 400: how a missing If-Match or Idempotency-Key is answered
    "missing_required_header": (["400", "401", "403", "404", "406", "412", "422", "428"], {}),
}


def _settings(folder: Path, keys: dict[str, str], who: str, peer: str | None) -> Path:
    """Write who is asking, who must not see what belongs to them, and what may be answered."""
    users = [
        {
            "name": name,
            "fixedHeaders": [{"name": "Authorization", "value": f"Bearer {keys[name]}"}],
        }
        for name in (who, *([peer] if peer else []))
    ]
    (folder / f"{who}.json").write_text(json.dumps({"auth": users}))
    peers = [f'peers = ["{who}", "{peer}"]'] if peer else []
    lines = ["[auth.wfc]", f'path = "{folder / f"{who}.json"}"', f'user = "{who}"', *peers]
    for check, (statuses, _) in _EXPECTED.items():
        lines += [f"[checks.{check}]", f"expected-statuses = {json.dumps(statuses)}"]
    for check, (statuses, more) in _EXPECTED.items():
        for operations, why in more.items():
            lines += [
                f"[[operations]]  # {why}",
                f'include-operation-id-regex = "{operations}"',
                f"[operations.checks.{check}]",
                f"expected-statuses = {json.dumps([*statuses, '422'])}",
            ]
    config = folder / f"{who}.toml"
    config.write_text("\n".join(lines) + "\n")
    return config


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=int, default=60, help="for all runs together")
    parser.add_argument("--examples", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--as", dest="who", choices=("dispatcher", "portal-a"))
    arguments, more = parser.parse_known_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        database = Database(f"sqlite:///{folder / 'steamround.sqlite'}")
        keys = _fill(database)
        url = f"http://127.0.0.1:{_PORT}"
        app = create_app(database, load_catalogue(), public_url=url, tell_time=lambda: NOW)
        server = uvicorn.Server(uvicorn.Config(app, port=_PORT, log_level="warning"))
        threading.Thread(target=server.run, daemon=True).start()
        while not server.started:
            time.sleep(0.05)
        httpx.get(f"{url}/v1/openapi.json", timeout=60).raise_for_status()
        httpx.post(  # what is compiled at the first call is compiled now
            f"{url}/v1/due-tasks/raise",
            headers={"Authorization": f"Bearer {keys['dispatcher']}"},
            timeout=120,
        ).raise_for_status()
        failed = 0
        phases = "examples,coverage", "fuzzing", "stateful"
        runs = [
            (who, peer, phase)
            for who, peer in (("dispatcher", None), ("portal-a", "portal-b"))
            for phase in phases
            if arguments.who in (None, who)
        ]
        for who, peer, phase in runs:
            command = [
                str(Path(sys.executable).with_name("st")),
                "--config-file", str(_settings(folder, keys, who, peer)), "run",
                f"{url}/v1/openapi.json", "--url", url, "--phases", phase,
                "--checks", "all", "--mode", "all", "--continue-on-failure",
                "--max-examples", str(arguments.examples),
                "--max-time", str(arguments.seconds // len(runs)),
                "--seed", str(arguments.seed),
                "--request-timeout", "60",  # how quick it is others measure
                *more,
            ]  # fmt: skip
            print(f"== as {who}" + (f", hidden from {peer}" if peer else "") + f": {phase}")
            sys.stdout.flush()
            failed |= subprocess.run(command, cwd=folder, env=dict(os.environ)).returncode
        server.should_exit = True
    sys.exit(failed)


if __name__ == "__main__":
    main()
