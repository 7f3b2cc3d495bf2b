"""Boards -> layouts: price every seam and search."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from itertools import permutations

import numpy as np

from grainmatch.errors import LayoutError
from grainmatch.model import Board, Features, Layout, Pose, Problem, Progress, Rgb, Side, Wishes
from grainmatch.pipeline.features import read_features
from grainmatch.score.pile import TURN_OF
from grainmatch.score.problem import build_problem
from grainmatch.score.seam import price_flow
from grainmatch.score.shortlist import shortlist_boards, tell_shortlist
from grainmatch.score.straight import Strip
from grainmatch.search.best import search_layouts


def arrange(
    boards: Sequence[Board],
    *,
    top_mm: tuple[float, float] | None = None,
    wishes: Wishes | None = None,
    n_best: int = 3,
    seed: int = 0,
    features: Mapping[tuple[str, Side], Features] | None = None,
    progress: Progress | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> list[Layout]:
    """The best few arrangements of measured boards, best first.

    top_mm: (length, width) of the finished top; boards are chosen to make that width, from a shortlist when
    there are very many (see `score.shortlist`). None lays all boards. features: what was read from faces
    before, by (board id, side). Raises LayoutError when the boards cannot make the top.
    """
    chosen = shortlist_boards(boards, top_mm=top_mm, wishes=wishes)
    problem = pose_problem(chosen.boards, top_mm=top_mm, wishes=wishes, features=features)
    layouts = search_layouts(problem, n_best=n_best, seed=seed, progress=progress, cancelled=cancelled)
    return [tell_shortlist(layout, chosen) for layout in layouts]


def pose_problem(
    boards: Sequence[Board],
    *,
    top_mm: tuple[float, float] | None = None,
    wishes: Wishes | None = None,
    features: Mapping[tuple[str, Side], Features] | None = None,
) -> Problem:
    """Boards -> Problem, reading whatever features are missing."""
    return build_problem(
        boards, read_features(boards, features or {}), top_mm=top_mm, wishes=wishes or Wishes()
    )


def arrange_faces(
    faces: Sequence[Rgb],
    *,
    px_per_mm: float,
    wishes: Wishes | None = None,
    n_best: int = 1,
    seed: int = 0,
) -> list[Layout]:
    """The best order of bare one-sided face pictures, each lying as it is or turned end for end.

    faces: (h, w, 3) uint8 sRGB, length along x, edges at the first and last row. Board ids are "1" to
    "n" in the order given. Raises LayoutError for no faces or a picture of another shape.
    """
    wishes = wishes or Wishes()
    strips = _to_strips(faces, px_per_mm)
    flow = price_flow(strips)
    n = len(strips)
    weight = wishes.line_flow or 1.0
    problem = Problem(
        board_ids=tuple(s.board_id for s in strips),
        poses=(Pose("A", False), Pose("A", True)),
        width_mm=np.array([s.rgb.shape[0] / px_per_mm for s in strips]),
        pose_cost=np.zeros((n, 2)),
        seam_cost=weight * flow,
        n_pick=n,
        seam_terms={"line_flow": weight * flow},
        seam_look=flow,
        turn_of=TURN_OF[:2],
        rules=wishes.rules,
    )
    return search_layouts(problem, n_best=n_best, seed=seed)


def _to_strips(faces: Sequence[Rgb], px_per_mm: float) -> list[Strip]:
    if not faces or any(f.ndim != 3 or f.shape[2] != 3 or f.dtype != np.uint8 for f in faces):
        raise LayoutError("There is no face, or one is not an RGB picture.", "Give (h, w, 3) uint8 arrays.")
    if not px_per_mm > 0:
        raise LayoutError("The faces have no scale.", "Give px_per_mm above zero.")
    width = min(f.shape[1] for f in faces)
    strips = []
    for k, face in enumerate(faces, 1):
        left = (face.shape[1] - width) // 2
        strips.append(Strip(str(k), "A", face[:, left : left + width], px_per_mm))
    return strips


def arrange_tops(
    boards: Sequence[Board],
    *,
    tops_mm: Sequence[tuple[float, float]],
    wishes: Wishes | None = None,
    seed: int = 0,
    features: Mapping[tuple[str, Side], Features] | None = None,
) -> list[Layout]:
    """Several tops from one pile, such as a table and its benches: one layout a top, in the order asked.

    Every order of serving the tops is tried (up to four tops) and the cheapest in all is kept; each top
    is the best from what the ones before left over, the whole is not proven best. Raises LayoutError when
    the boards cannot make all tops.
    """
    if not tops_mm:
        raise LayoutError("No top was asked for.", "Give at least one length and width.")
    orders = permutations(range(len(tops_mm))) if len(tops_mm) <= 4 else [_longest_first(tops_mm)]
    best: list[Layout] | None = None
    refused: LayoutError | None = None
    known = read_features(boards, features or {})
    for order in orders:
        left, made = list(boards), {}
        try:
            for k in order:
                made[k] = arrange(
                    left, top_mm=tops_mm[k], wishes=wishes, n_best=1, seed=seed, features=known
                )[0]
                used = {p.board_id for p in made[k].placements}
                left = [b for b in left if b.id not in used]
                if not left and len(made) < len(tops_mm):
                    raise LayoutError("The boards do not suffice for all tops.", "Add boards or drop a top.")
        except LayoutError as error:
            refused = error
            continue
        layouts = [replace(made[k], proven_optimal=False, bound=None) for k in range(len(tops_mm))]
        if best is None or sum(x.score.total for x in layouts) < sum(x.score.total for x in best):
            best = layouts
    if best is None:
        raise refused or LayoutError("The tops cannot be made.", "Add boards.")
    return best


def _longest_first(tops_mm: Sequence[tuple[float, float]]) -> tuple[int, ...]:
    return tuple(sorted(range(len(tops_mm)), key=lambda k: -tops_mm[k][0]))
