"""Makes an attempt or two on import, so that processes forked from this one are quick at once."""

import contextlib
import io
import tempfile
from pathlib import Path

from api.storage.database import Database
from tests.api.actions.contention import lay_out, work

with tempfile.TemporaryDirectory() as name:
    url = f"sqlite:///{Path(name) / 'steamround.sqlite'}"
    database = Database(url)
    database.create_or_upgrade()
    key = lay_out(database, technicians=2, visits=400)
    with contextlib.redirect_stdout(io.StringIO()):
        work(url, key, 1, 4, 0, 0, None)
    database.close()
