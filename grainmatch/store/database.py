"""The SQLite file: its tables, its version, and one guarded connection to it."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from grainmatch.errors import StoreError

SCHEMA_VERSION = 1
_APPLICATION_ID = 0x47524D31  # 'GRM1', so that a file of another program is never written to
_BUSY_S = 10.0
# The text of an error about a damaged table may itself be no UTF-8.
_FAULTS = (sqlite3.DatabaseError, UnicodeDecodeError)

_TABLES = """
CREATE TABLE setting (name TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE job (
  id TEXT PRIMARY KEY, name TEXT NOT NULL, created_s REAL NOT NULL, change_n INTEGER NOT NULL,
  details TEXT NOT NULL);
CREATE TABLE photo (
  job_id TEXT NOT NULL REFERENCES job(id) ON DELETE CASCADE, place_n INTEGER NOT NULL,
  sha256 TEXT NOT NULL, suffix TEXT NOT NULL, name TEXT NOT NULL, state TEXT NOT NULL, note TEXT NOT NULL,
  PRIMARY KEY (job_id, sha256));
CREATE TABLE rack (
  key INTEGER PRIMARY KEY, set_sha256 TEXT NOT NULL, id_in_set TEXT NOT NULL, state TEXT NOT NULL,
  home_job TEXT REFERENCES job(id) ON DELETE SET NULL, used_by TEXT REFERENCES job(id) ON DELETE SET NULL,
  note TEXT NOT NULL, UNIQUE (set_sha256, id_in_set));
CREATE TABLE job_board (
  job_id TEXT NOT NULL REFERENCES job(id) ON DELETE CASCADE, place_n INTEGER NOT NULL,
  board_id TEXT NOT NULL, rack_key INTEGER NOT NULL REFERENCES rack(key), PRIMARY KEY (job_id, board_id));
CREATE TABLE layout (
  id INTEGER PRIMARY KEY, job_id TEXT NOT NULL REFERENCES job(id) ON DELETE CASCADE, kind TEXT NOT NULL,
  name TEXT NOT NULL, body TEXT NOT NULL, created_s REAL NOT NULL, chosen INTEGER NOT NULL);
CREATE INDEX layout_of_job ON layout (job_id, kind);
"""


class Database:
    """One connection, shared by the threads of this process behind a lock.

    Other processes may hold the same file open: readers never wait (write-ahead log), writers queue.
    Raises StoreError when the file is from a newer version or belongs to something else.
    """

    def __init__(self, path: Path) -> None:
        version = _read_version(path)
        self._lock = threading.RLock()
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._connection = sqlite3.connect(
                path, timeout=_BUSY_S, isolation_level=None, check_same_thread=False
            )
        except (OSError, sqlite3.Error) as fault:
            raise StoreError(
                "The folder for saved jobs cannot be opened.",
                "Check that the disk is not full and that you may write there, or set GRAINMATCH_HOME.",
            ) from fault
        self._connection.row_factory = sqlite3.Row
        try:
            if version == 0:
                self._create()
            self._connection.execute("PRAGMA journal_mode = WAL")
            self._connection.execute("PRAGMA synchronous = FULL")
            self._connection.execute("PRAGMA foreign_keys = ON")
            if self._connection.execute("PRAGMA quick_check(1)").fetchone()[0] != "ok":
                raise damaged()
        except (*_FAULTS, StoreError) as fault:
            self._connection.close()
            raise _in_words(fault) from fault

    def _create(self) -> None:
        # Another process may be creating the same file: look again once the write lock is held.
        with self.writing() as db:
            if db.execute("PRAGMA user_version").fetchone()[0] == 0:
                for statement in _TABLES.split(";"):
                    db.execute(statement)
                db.execute(f"PRAGMA application_id = {_APPLICATION_ID}")
                db.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """The connection for a single query; no other thread of this process uses it meanwhile."""
        with self._lock:
            try:
                yield self._connection
            except _FAULTS as fault:
                raise _in_words(fault) from fault

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """A transaction: all of it is on disk when the block ends, or none of it.

        Within another transaction of this thread it is a part of that one.
        """
        with self._lock:
            if self._connection.in_transaction:
                yield self._connection
                return
            try:
                self._connection.execute("BEGIN IMMEDIATE")
            except _FAULTS as fault:
                raise _in_words(fault) from fault
            try:
                yield self._connection
                self._connection.execute("COMMIT")
            except BaseException as fault:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                if isinstance(fault, _FAULTS):
                    raise _in_words(fault) from fault
                raise

    def close(self) -> None:
        """Let go of the file."""
        with self._lock:
            self._connection.close()


def _read_version(path: Path) -> int:
    """The schema version, read from the header without opening the file as a database.

    Offsets 60 (user version) and 68 (application id): SQLite, "Database File Format", section 1.3.
    """
    try:
        with path.open("rb") as file:
            header = file.read(100)
    except FileNotFoundError:
        return 0
    except OSError as fault:
        raise StoreError("The saved jobs cannot be read.", "Check that you may read the folder.") from fault
    if not header:
        return 0
    if len(header) < 100 or not header.startswith(b"SQLite format 3\0"):
        raise damaged()
    version = int.from_bytes(header[60:64], "big")
    owner = int.from_bytes(header[68:72], "big")
    if version and owner != _APPLICATION_ID:
        raise StoreError(
            "The file of saved jobs belongs to another program.", "Set GRAINMATCH_HOME to another folder."
        )
    if version > SCHEMA_VERSION:
        raise StoreError(
            "The saved jobs were written by a newer version of grainmatch; they have not been touched.",
            "Update grainmatch, or set GRAINMATCH_HOME to another folder.",
        )
    return version


def damaged() -> StoreError:
    """What to say of a file of saved jobs that makes no sense."""
    return StoreError(
        "The file of saved jobs is damaged or cannot be written.",
        "Check that the disk is not full; to start afresh, move the folder of saved jobs elsewhere.",
    )


def _in_words(fault: Exception) -> StoreError:
    """A fault of the database for the user. Codes: SQLite, "Result and Error Codes"."""
    if isinstance(fault, StoreError):
        return fault
    match getattr(fault, "sqlite_errorcode", 0) & 0xFF:
        case sqlite3.SQLITE_BUSY | sqlite3.SQLITE_LOCKED:
            return StoreError("The saved jobs are busy in another window.", "Wait a moment and try again.")
        case sqlite3.SQLITE_FULL:
            return StoreError("The disk is full; nothing was changed.", "Make room on it and try again.")
        case sqlite3.SQLITE_READONLY | sqlite3.SQLITE_CANTOPEN | sqlite3.SQLITE_PERM:
            return StoreError(
                "The saved jobs may be read here but not changed.",
                "Check that you may write to the folder, or set GRAINMATCH_HOME to another one.",
            )
    return damaged()
