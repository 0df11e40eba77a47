#!/usr/bin/env bash
# Back up a Steamround database while it is in use: deploy/backup.sh TARGET_FOLDER
# Reads the same settings as the service. SQLite is copied through its own backup call (copying the
# file would miss what is still in the write-ahead log), PostgreSQL with pg_dump.
set -euo pipefail
target=${1:?usage: deploy/backup.sh TARGET_FOLDER}
mkdir -p "$target"
stamp=$(date -u +%Y%m%dT%H%M%SZ)
url=${STEAMROUND_DATABASE_URL:-}
case "$url" in
  postgresql://*|postgres://*)
    pg_dump --format=custom --file="$target/steamround-$stamp.dump" "$url"
    echo "$target/steamround-$stamp.dump"
    ;;
  *)
    file=${url#sqlite:///}
    file=${file:-${STEAMROUND_DATA_FOLDER:-steamround-data}/steamround.sqlite}
    python3 - "$file" "$target/steamround-$stamp.sqlite" <<'PYTHON'
import sqlite3
import sys
from contextlib import closing
from pathlib import Path

source, target = map(Path, sys.argv[1:])
if not source.is_file():
    sys.exit(f"there is no database {source}: set STEAMROUND_DATA_FOLDER or STEAMROUND_DATABASE_URL")
part = target.with_suffix(".part")
# closed before it is renamed: until then a write-ahead log lies beside the copy
with (
    closing(sqlite3.connect(f"file:{source}?mode=ro", uri=True)) as live,
    closing(sqlite3.connect(part)) as copy,
):
    live.backup(copy)
    verdict = copy.execute("PRAGMA integrity_check").fetchone()[0]
if verdict != "ok":
    sys.exit(f"the copy is damaged: {verdict}")
part.rename(target)
print(target)
PYTHON
    ;;
esac
