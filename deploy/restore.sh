#!/usr/bin/env bash
# Restore a backup: deploy/restore.sh BACKUP_FILE. Stop the service first.
# An SQLite database that is there already is kept beside the restored one, never overwritten.
set -euo pipefail
backup=${1:?usage: deploy/restore.sh BACKUP_FILE}
[ -f "$backup" ] || { echo "there is no backup $backup" >&2; exit 1; }
url=${STEAMROUND_DATABASE_URL:-}
case "$url" in
  postgresql://*|postgres://*)
    pg_restore --clean --if-exists --single-transaction --no-owner --dbname="$url" "$backup"
    ;;
  *)
    file=${url#sqlite:///}
    file=${file:-${STEAMROUND_DATA_FOLDER:-steamround-data}/steamround.sqlite}
    mkdir -p "$(dirname "$file")"
    if [ -e "$file" ]; then
      kept=$file.replaced-$(date -u +%Y%m%dT%H%M%SZ)
      for suffix in "" -wal -shm; do
        if [ -e "$file$suffix" ]; then mv "$file$suffix" "$kept$suffix"; fi
      done
      echo "kept the old database as $kept"
    fi
    cp "$backup" "$file"
    echo "restored $file"
    ;;
esac
