"""The maker's shop on disk: jobs, their photos, the rack of boards and the layouts.

A file is written before the row that names it, so a crash leaves at worst a file nobody names.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import sqlite3
import time
import uuid
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import platformdirs

from grainmatch.disk import PART, sweep_parts, write_bytes
from grainmatch.errors import StoreError
from grainmatch.store.database import Database, damaged
from grainmatch.store.files import (
    clean_file_name,
    clean_suffix,
    hash_bytes,
    is_sha256,
    read_folder,
    write_members,
)
from grainmatch.store.records import Job, JobBoard, JobPhoto, LayoutKind, PhotoState, RackBoard, SavedLayout

_STALE_S = 24 * 3600.0
MOST_PHOTOS_N = 200


def home_folder() -> Path:
    """Where jobs are kept: GRAINMATCH_HOME when set, else the user's data folder."""
    chosen = os.environ.get("GRAINMATCH_HOME")
    return Path(chosen).expanduser() if chosen else Path(platformdirs.user_data_dir("grainmatch", False))


def open_shop(home: Path | None = None) -> Shop:
    """Open the shop in a folder, made when missing. Raises StoreError when it cannot be used."""
    return Shop(home_folder() if home is None else home)


class Shop:
    """One open store. Safe to share between threads; several processes may open the same folder."""

    def __init__(self, home: Path) -> None:
        self.home = home
        self._database = Database(home / "grainmatch.db")

    def close(self) -> None:
        """Let go of the files."""
        self._database.close()

    @contextmanager
    def all_or_nothing(self) -> Iterator[None]:
        """Every change within happens as one, or none of them does."""
        with self._database.writing():
            yield

    # --- settings ----------------------------------------------------------------------------

    def read_setting(self, name: str, default: Any = None) -> Any:
        """A setting as the JSON value it was saved with."""
        with self._database.reading() as db:
            row = db.execute("SELECT value FROM setting WHERE name = ?", (name,)).fetchone()
        return default if row is None else _from_json(row["value"])

    def write_setting(self, name: str, value: Any) -> None:
        """Keep a JSON value under a name."""
        with self._database.writing() as db:
            db.execute("INSERT OR REPLACE INTO setting VALUES (?, ?)", (name, json.dumps(value)))

    # --- jobs --------------------------------------------------------------------------------

    def list_jobs(self) -> list[Job]:
        """All jobs, the newest first."""
        with self._database.reading() as db:
            rows = db.execute("SELECT * FROM job ORDER BY created_s DESC, rowid DESC").fetchall()
        return [_job(row) for row in rows]

    def read_job(self, job_id: str) -> Job:
        """One job. Raises StoreError when it is gone."""
        with self._database.reading() as db:
            row = db.execute("SELECT * FROM job WHERE id = ?", (job_id,)).fetchone()
        if row is None:
            raise StoreError("That job is no longer there.", "Pick another one in the list of jobs.")
        return _job(row)

    def add_job(self, name: str, details: Mapping[str, Any] | None = None) -> Job:
        """A new job. Raises StoreError for an empty name."""
        job_id = uuid.uuid4().hex
        values = (job_id, _clean_name(name), time.time(), 0, json.dumps(dict(details or {})))
        with self._database.writing() as db:
            db.execute("INSERT INTO job VALUES (?, ?, ?, ?, ?)", values)
        return self.read_job(job_id)

    def update_job(
        self, job_id: str, *, name: str | None = None, details: Mapping[str, Any] | None = None
    ) -> Job:
        """Rename a job, or change some of its details; details not named stay as they are."""
        with self._database.writing() as db:
            row = db.execute("SELECT * FROM job WHERE id = ?", (job_id,)).fetchone()
            if row is not None:
                merged = {**_from_json(row["details"]), **(details or {})}
                new_name = row["name"] if name is None else _clean_name(name)
                db.execute(
                    "UPDATE job SET name = ?, details = ? WHERE id = ?",
                    (new_name, json.dumps(merged), job_id),
                )
                _touch(db, job_id)
        return self.read_job(job_id)

    def remove_job(self, job_id: str) -> None:
        """Remove a job with its photos and layouts. Its boards stay on the rack unless used in it."""
        with self._database.writing() as db:
            used = db.execute("SELECT key FROM rack WHERE used_by = ?", (job_id,)).fetchall()
            db.execute("DELETE FROM job WHERE id = ?", (job_id,))
            db.executemany(
                "DELETE FROM rack WHERE key = ? AND key NOT IN (SELECT rack_key FROM job_board)",
                [tuple(row) for row in used],
            )

    # --- photos ------------------------------------------------------------------------------

    def add_photo(self, job_id: str, name: str, data: bytes, *, state: PhotoState = "waiting") -> JobPhoto:
        """Keep a photo in a job; the same content twice in one job is kept once.

        Raises StoreError when the disk refuses or the job has its fill of photos.
        """
        sha256, suffix = hash_bytes(data), clean_suffix(name)
        path = self._photo_path(sha256, suffix)
        if path.is_file():
            path.touch()  # wanted again: another window's sweep must not take it for forgotten
        else:
            write_bytes(path, data)
        with self._database.writing() as db:
            _need_job(db, job_id)
            kept_n = db.execute("SELECT count(*) FROM photo WHERE job_id = ?", (job_id,)).fetchone()[0]
            if kept_n >= MOST_PHOTOS_N:
                raise StoreError(
                    f"The job already has {MOST_PHOTOS_N} photos.", "Begin another job for the rest."
                )
            place_n = _next_place(db, "photo", job_id)
            db.execute("INSERT OR IGNORE INTO photo VALUES (?, ?, ?, ?, ?, ?, '')",
                       (job_id, place_n, sha256, suffix, clean_file_name(name), state))  # fmt: skip
            _touch(db, job_id)
        return next(p for p in self.list_photos(job_id) if p.sha256 == sha256)

    def list_photos(self, job_id: str) -> list[JobPhoto]:
        """A job's photos in the order they came."""
        with self._database.reading() as db:
            rows = db.execute("SELECT * FROM photo WHERE job_id = ? ORDER BY place_n", (job_id,)).fetchall()
        return [self._photo(row) for row in rows]

    def set_photo_state(self, job_id: str, sha256: str, state: PhotoState, note: str = "") -> None:
        """Say how far a photo has come, with a note in words."""
        with self._database.writing() as db:
            db.execute("UPDATE photo SET state = ?, note = ? WHERE job_id = ? AND sha256 = ?",
                       (state, note, job_id, sha256))  # fmt: skip
            _touch(db, job_id)

    def remove_photo(self, job_id: str, sha256: str) -> None:
        """Take a photo out of a job."""
        with self._database.writing() as db:
            db.execute("DELETE FROM photo WHERE job_id = ? AND sha256 = ?", (job_id, sha256))
            _touch(db, job_id)

    def _photo(self, row: sqlite3.Row) -> JobPhoto:
        path = self._photo_path(row["sha256"], row["suffix"])
        return JobPhoto(row["sha256"], row["name"], row["state"], row["note"], path)

    def _photo_path(self, sha256: str, suffix: str) -> Path:
        return self.home / "photos" / sha256[:2] / f"{sha256}{suffix}"

    # --- boards ------------------------------------------------------------------------------

    def add_set(self, folder: Path) -> str:
        """Keep a folder of measured boards, named by its content. Returns that name."""
        return self.add_set_members(read_folder(folder))

    def add_set_members(self, members: dict[str, bytes]) -> str:
        """Keep a set of measured boards given as named files."""
        return write_members(self.home / "sets", members)

    def set_folder(self, sha256: str) -> Path:
        """The folder of a measured set. Raises StoreError when it is not there."""
        folder = self.home / "sets" / sha256
        if not is_sha256(sha256) or not folder.is_dir():
            raise StoreError("The measured boards are missing on disk.", "Measure the photos again.")
        return folder

    def put_boards(self, job_id: str, boards: Iterable[tuple[str, str, str]]) -> None:
        """Say which boards a job has now, in order: (id in the job, set, id in the set).

        Boards new to the rack are put on it. Boards the job no longer has leave the rack when this job
        brought them, no other job has them and they have not been used.
        """
        with self._database.writing() as db:
            _need_job(db, job_id)
            db.execute("DELETE FROM job_board WHERE job_id = ?", (job_id,))
            for place_n, (board_id, set_sha256, id_in_set) in enumerate(boards):
                db.execute("INSERT OR IGNORE INTO rack (set_sha256, id_in_set, state, home_job, note) "
                           "VALUES (?, ?, 'free', ?, '')", (set_sha256, id_in_set, job_id))  # fmt: skip
                db.execute("INSERT INTO job_board SELECT ?, ?, ?, key FROM rack "
                           "WHERE set_sha256 = ? AND id_in_set = ?",
                           (job_id, place_n, board_id, set_sha256, id_in_set))  # fmt: skip
            db.execute("DELETE FROM rack WHERE home_job = ? AND state = 'free' AND note = '' "
                       "AND key NOT IN (SELECT rack_key FROM job_board)", (job_id,))  # fmt: skip
            _touch(db, job_id)

    def take_from_rack(self, job_id: str, rack_key: int, board_id: str) -> None:
        """Bring a rack board into a job under an id that is free there."""
        with self._database.writing() as db:
            _need_job(db, job_id)
            taken = db.execute(
                "SELECT 1 FROM job_board WHERE job_id = ? AND board_id = ?", (job_id, board_id)
            ).fetchone()
            if taken:
                raise StoreError(f"The job already has a board {board_id}.", "Give it another name.")
            place_n = _next_place(db, "job_board", job_id)
            db.execute("INSERT INTO job_board VALUES (?, ?, ?, ?)", (job_id, place_n, board_id, rack_key))
            _touch(db, job_id)

    def rename_board(
        self,
        job_id: str,
        board_id: str,
        new_id: str,
        *,
        details: Mapping[str, Any],
        bodies: Mapping[int, str],
    ) -> None:
        """Give a job's board another id, with the job's details and its layouts (by id) that name it.

        Raises StoreError when the new id is taken or empty.
        """
        wanted = " ".join(new_id.split())[:24]
        with self._database.writing() as db:
            rows = db.execute("SELECT board_id FROM job_board WHERE job_id = ?", (job_id,)).fetchall()
            if not wanted or wanted in {row["board_id"] for row in rows}:
                raise StoreError(f"The name '{new_id}' is taken or empty.", "Give the board another one.")
            db.execute(
                "UPDATE job_board SET board_id = ? WHERE job_id = ? AND board_id = ?",
                (wanted, job_id, board_id),
            )
            db.execute("UPDATE job SET details = ? WHERE id = ?", (json.dumps(dict(details)), job_id))
            for layout_id, body in bodies.items():
                db.execute(
                    "UPDATE layout SET body = ? WHERE id = ? AND job_id = ?", (body, layout_id, job_id)
                )
            _touch(db, job_id)

    def add_to_rack(self, set_sha256: str, id_in_set: str, *, home_job: str, note: str) -> None:
        """Put a board (an offcut, say) on the rack without taking it into a job."""
        with self._database.writing() as db:
            db.execute("INSERT OR IGNORE INTO rack (set_sha256, id_in_set, state, home_job, note) "
                       "VALUES (?, ?, 'free', ?, ?)", (set_sha256, id_in_set, home_job, note))  # fmt: skip

    def drop_offcuts(self, job_id: str) -> None:
        """Take the offcuts of a job off the rack again, except those another job has taken."""
        with self._database.writing() as db:
            db.execute("DELETE FROM rack WHERE home_job = ? AND note <> '' AND state = 'free' "
                       "AND key NOT IN (SELECT rack_key FROM job_board)", (job_id,))  # fmt: skip

    def list_boards(self, job_id: str) -> list[JobBoard]:
        """A job's boards in order."""
        query = (
            "SELECT board_id, rack_key, set_sha256, id_in_set, state, used_by FROM job_board "
            "JOIN rack ON key = rack_key WHERE job_id = ? ORDER BY place_n"
        )
        with self._database.reading() as db:
            return [JobBoard(*row) for row in db.execute(query, (job_id,)).fetchall()]

    def list_rack(self) -> list[RackBoard]:
        """Every board on the rack, in the order they came."""
        query = "SELECT key, set_sha256, id_in_set, state, home_job, used_by, note FROM rack ORDER BY key"
        with self._database.reading() as db:
            return [RackBoard(*row) for row in db.execute(query).fetchall()]

    def use_boards(self, job_id: str, board_ids: Iterable[str]) -> None:
        """Mark these of the job's boards as used in it, and every other board it had used as free again."""
        with self._database.writing() as db:
            db.execute("UPDATE rack SET state = 'free', used_by = NULL WHERE used_by = ?", (job_id,))
            for board_id in board_ids:
                db.execute("UPDATE rack SET state = 'used', used_by = ? WHERE used_by IS NULL AND key = "
                           "(SELECT rack_key FROM job_board WHERE job_id = ? AND board_id = ?)",
                           (job_id, job_id, board_id))  # fmt: skip
            _touch(db, job_id)

    # --- layouts -----------------------------------------------------------------------------

    def add_layout(self, job_id: str, body: str, *, name: str, kind: LayoutKind = "saved") -> SavedLayout:
        """Keep a layout beside the earlier ones. There is one working layout a job: it is replaced."""
        with self._database.writing() as db:
            _need_job(db, job_id)
            if kind == "working":
                db.execute("DELETE FROM layout WHERE job_id = ? AND kind = 'working'", (job_id,))
            layout_id = _insert_layout(db, job_id, kind, name, body)
            _touch(db, job_id)
            row = db.execute("SELECT * FROM layout WHERE id = ?", (layout_id,)).fetchone()
        return _layout(row)

    def put_proposals(self, job_id: str, bodies: Iterable[tuple[str, str]]) -> None:
        """Replace a job's proposals by these (name, JSON text)."""
        with self._database.writing() as db:
            _need_job(db, job_id)
            db.execute("DELETE FROM layout WHERE job_id = ? AND kind = 'proposal'", (job_id,))
            for name, body in bodies:
                _insert_layout(db, job_id, "proposal", name, body)
            _touch(db, job_id)

    def list_layouts(self, job_id: str, kind: LayoutKind | None = None) -> list[SavedLayout]:
        """A job's layouts, oldest first; of one kind when asked."""
        query = "SELECT * FROM layout WHERE job_id = ? AND kind = coalesce(?, kind) ORDER BY id"
        with self._database.reading() as db:
            return [_layout(row) for row in db.execute(query, (job_id, kind)).fetchall()]

    def choose_layout(self, job_id: str, layout_id: int) -> None:
        """Make one saved layout the chosen one; the others stay."""
        with self._database.writing() as db:
            db.execute("UPDATE layout SET chosen = (id = ?) WHERE job_id = ?", (layout_id, job_id))
            _touch(db, job_id)

    def remove_layout(self, job_id: str, layout_id: int) -> None:
        """Remove one layout of a job."""
        with self._database.writing() as db:
            db.execute("DELETE FROM layout WHERE job_id = ? AND id = ?", (job_id, layout_id))
            _touch(db, job_id)

    # --- tidying -----------------------------------------------------------------------------

    def sweep(self) -> int:
        """Delete what killed programs left half-written, and photo files and sets that nothing names and that
        are over a day old. Returns how many."""
        with self._database.reading() as db:
            photos = {row[0] for row in db.execute("SELECT sha256 FROM photo")}
            sets = {row[0] for row in db.execute("SELECT set_sha256 FROM rack")}
        swept_n = sum(sweep_parts(f) for f in (self.home / "sets", *self.home.glob("photos/*")))
        candidates = [p for p in self.home.glob("photos/*/*") if p.name[:64] not in photos]
        candidates += [p for p in self.home.glob("sets/*") if p.name not in sets]
        for path in candidates:
            # Another window may sweep the same things at the same time.
            with contextlib.suppress(OSError):
                if not path.name.startswith(PART) and path.stat().st_mtime < time.time() - _STALE_S:
                    shutil.rmtree(path) if path.is_dir() else path.unlink()
                    swept_n += 1
        return swept_n


def _job(row: sqlite3.Row) -> Job:
    return Job(row["id"], row["name"], row["created_s"], row["change_n"], _from_json(row["details"]))


def _from_json(text: Any) -> Any:
    try:
        return json.loads(text)
    except (TypeError, ValueError, RecursionError) as fault:
        raise damaged() from fault


def _layout(row: sqlite3.Row) -> SavedLayout:
    return SavedLayout(
        row["id"], row["kind"], row["name"], row["body"], row["created_s"], bool(row["chosen"])
    )


def _insert_layout(db: sqlite3.Connection, job_id: str, kind: LayoutKind, name: str, body: str) -> int:
    cursor = db.execute(
        "INSERT INTO layout (job_id, kind, name, body, created_s, chosen) VALUES (?, ?, ?, ?, ?, 0)",
        (job_id, kind, name, body, time.time()),
    )
    return int(cursor.lastrowid or 0)


def _touch(db: sqlite3.Connection, job_id: str) -> None:
    db.execute("UPDATE job SET change_n = change_n + 1 WHERE id = ?", (job_id,))


def _need_job(db: sqlite3.Connection, job_id: str) -> None:
    if db.execute("SELECT 1 FROM job WHERE id = ?", (job_id,)).fetchone() is None:
        raise StoreError("That job is no longer there.", "Pick another one in the list of jobs.")


def _next_place(db: sqlite3.Connection, table: str, job_id: str) -> int:
    query = f"SELECT coalesce(max(place_n), -1) + 1 FROM {table} WHERE job_id = ?"  # noqa: S608 (our own names)
    return int(db.execute(query, (job_id,)).fetchone()[0])


def _clean_name(name: str) -> str:
    cleaned = " ".join(name.split())[:80]
    if not cleaned:
        raise StoreError("The job has no name.", "Type a name, such as Kitchen table.")
    return cleaned
