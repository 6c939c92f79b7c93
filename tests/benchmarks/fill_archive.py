"""Fill an SQLite archive by copying the captures that are in it, in SQL: for timings with many captures.

Run as ``python tests/benchmarks/fill_archive.py ARCHIVE COUNT``: it then holds COUNT captures (with results, carriers,
findings and raw files of their own keys; the raw bytes are shared, as they would be for files that came again), dated
an hour apart, a dozen to a visit, the visits to sixty vessels in turn. What it makes is for timing alone and not kept.
"""

import hashlib
import sqlite3
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

from spectra.archive import open_archive
from spectra.archive.database import writing
from spectra.archive.lists import capture_words, sum_up_all

A_VISIT, VESSELS = 12, 60
OWN = ("id", "key", "entry", "raw_key", "captured_at", "result", "visit", "vessel", "words")


def fill(path: Path, count: int) -> None:
    """Copy captures, in turn, until there are `count`."""
    with sqlite3.connect(path) as base:
        base.execute("PRAGMA synchronous = OFF")
        base.create_function("words_of", 4, capture_words)
        originals = [row[0] for row in base.execute("SELECT id FROM capture ORDER BY id")]
        columns = [row[1] for row in base.execute("PRAGMA table_info(capture)")]
        kept = [c for c in columns if c not in OWN]
        start, made = datetime(2015, 1, 1, tzinfo=UTC), len(originals)
        copied = "new INTEGER PRIMARY KEY, old INTEGER, key TEXT, at TEXT, visit TEXT, vessel TEXT"
        base.execute(f"CREATE TEMP TABLE copied ({copied})")
        first = max(originals) + 1
        rows = []
        for number in range(count - made):
            key = hashlib.sha256(b"copy %d" % number).hexdigest()
            at = (start + timedelta(hours=number)).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
            visit = number // A_VISIT
            held = hashlib.sha256(b"visit %d" % visit).hexdigest()
            rows.append((first + number, originals[number % made], key, at, held, f"Vessel {visit % VESSELS:02d}"))
        base.executemany("INSERT INTO copied VALUES (?, ?, ?, ?, ?, ?)", rows)
        base.execute(
            "INSERT INTO visit (key, folder, vessel, terminal, head) "
            "SELECT visit, 'visit ' || min(new), vessel, 'terminal A', '{\"head\":{},\"limits\":{}}' "
            "FROM copied GROUP BY visit, vessel"
        )
        names = ", ".join(kept)
        taken = ", ".join(f"c.{name}" for name in kept)
        base.execute(
            f"INSERT INTO capture (id, key, entry, raw_key, captured_at, visit, vessel, words, {names}) "
            "SELECT new, copied.key, copied.key, copied.key, at, copied.visit, copied.vessel, "
            f"words_of(c.name, copied.vessel, c.terminal, c.satellite), {taken} "
            "FROM copied JOIN capture c ON c.id = old"
        )
        base.execute(
            "INSERT INTO result (key, capture, software, made_at, plan, chain, body) "
            "SELECT copied.key, new, software, made_at, plan, chain, body "
            "FROM copied JOIN capture c ON c.id = old JOIN result r ON r.key = c.result"
        )
        base.execute("UPDATE capture SET result = key WHERE result IS NULL AND id >= ?", (first,))
        for table in ("raw", "finding", "carrier"):
            fields = [row[1] for row in base.execute(f"PRAGMA table_info({table})") if row[1] != "capture"]
            listed = ", ".join(f'"{name}"' for name in fields)
            base.execute(
                f"INSERT INTO {table} (capture, {listed}) "
                f"SELECT new, {listed} FROM copied JOIN {table} t ON t.capture = old"
            )
    base.close()
    with open_archive(path) as archive, writing(archive.engine) as connection:
        sum_up_all(connection)


if __name__ == "__main__":
    fill(Path(sys.argv[1]), int(sys.argv[2]))
