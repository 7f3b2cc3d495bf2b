"""What is read and priced once for a job's boards and then remembered while the app runs."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from typing import Any

from grainmatch.errors import LayoutError
from grainmatch.face.reading import read_face
from grainmatch.model import Features, Problem, Side, Wishes
from grainmatch.score.pile import Pile
from grainmatch.score.problem import price_pile, read_usable
from grainmatch.score.shortlist import shortlist_boards
from grainmatch.store import Job, Shop
from grainmatch.ui.hand_marks import corrected
from grainmatch.ui.stock import Stock, read_set

_WORKERS = 2
_PROBLEMS_KEPT = 8
_PILES_KEPT = 4
_FACES_KEPT = 400


class Memory:
    """The latest results by key. Whoever asks first works one out; others asking meanwhile wait for it."""

    def __init__(self, kept: int) -> None:
        self._kept = kept
        self._lock = threading.Lock()
        self._results: OrderedDict[Hashable, Future[Any]] = OrderedDict()

    def put(self, key: Hashable, result: Any) -> None:
        """Keep a result worked out elsewhere."""
        self.get(key, lambda: result)

    def get(self, key: Hashable, make: Callable[[], Any]) -> Any:
        """The result for a key, made now when it is not there. A failure is not remembered."""
        with self._lock:
            found = self._results.get(key)
            if found is not None:
                self._results.move_to_end(key)
            else:
                mine: Future[Any] = Future()
                self._results[key] = mine
                while len(self._results) > self._kept:
                    self._results.popitem(last=False)
        if found is not None:
            return found.result()
        try:
            mine.set_result(make())
        except BaseException as fault:
            with self._lock:
                self._results.pop(key, None)
            mine.set_exception(fault)
            raise
        return mine.result()


_problems = Memory(_PROBLEMS_KEPT)
_piles = Memory(_PILES_KEPT)
_features = Memory(_FACES_KEPT)


def job_features(shop: Shop, job: Job, stock: Stock) -> dict[tuple[str, Side], Features]:
    """What is read from every face of these boards, as the maker corrected it."""
    return corrected(faces_as_read(shop, job, stock), job)


def faces_as_read(shop: Shop, job: Job, stock: Stock) -> dict[tuple[str, Side], Features]:
    """What is read from every face of these boards."""
    rows = {r.board_id: r for r in shop.list_boards(job.id)}
    said = job.details.get("boards", {})
    places: dict[tuple[str, Side], tuple[str, str, Side]] = {}
    for board in stock.boards:
        swapped = bool(said.get(board.id, {}).get("swap_faces"))
        for face in board.faces:
            original: Side = face.side if not swapped else ("B" if face.side == "A" else "A")
            row = rows[board.id]
            places[board.id, face.side] = (
                str(shop.set_folder(row.set_sha256)),
                row.id_in_set,
                original,
            )
    with ThreadPoolExecutor(_WORKERS) as hands:
        read = list(hands.map(lambda place: _read_features(*place), places.values()))
    return dict(zip(places, read, strict=True))


def remember_features(folder: str, features: Mapping[tuple[str, Side], Features]) -> None:
    """Keep what was read while measuring a set, so that it is not read again."""
    for (id_in_set, side), found in features.items():
        _features.put((folder, id_in_set, side), found)


def _read_features(folder: str, id_in_set: str, side: Side) -> Features:
    def read() -> Features:
        face = read_set(folder)[id_in_set].face(side)
        if face is None:
            raise LayoutError(f"Board {id_in_set} has no face {side}.", "Measure the photos again.")
        return read_face(face.rgb, px_per_mm=face.px_per_mm, inside=face.inside)

    features: Features = _features.get((folder, id_in_set, side), read)
    return features


def price_job(
    shop: Shop, job: Job, stock: Stock, *, top_mm: tuple[float, float] | None, wishes: Wishes
) -> Problem:
    """Every seam and pose of a job's free boards priced for these wishes, rules left aside; of very many
    boards only those on the shortlist.

    Raises LayoutError when the boards cannot make that top.
    """
    said = repr(job.details.get("boards"))
    length_mm = top_mm[0] if top_mm else None
    bare = replace(wishes, rules=())
    boards = shortlist_boards(stock.free, top_mm=top_mm, wishes=wishes).boards
    of_boards = (stock.key, stock.used_elsewhere, said, length_mm, tuple(b.id for b in boards))

    def read() -> Pile:
        listed = Stock(boards, stock.used_elsewhere, stock.key)
        return read_usable(boards, job_features(shop, job, listed), length_mm=length_mm)

    def price() -> Problem:
        # Other wishes and another width weigh the same seams anew, which is quick; reading them is not.
        return price_pile(_piles.get(of_boards, read), top_mm=top_mm, wishes=bare)

    problem: Problem = _problems.get((*of_boards, top_mm, bare), price)
    return problem
