"""Far more boards than a search can weigh: those worth weighing for one top, and what leaving out costs."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from grainmatch.colour import srgb_to_lab
from grainmatch.errors import LayoutError
from grainmatch.model import Board, Layout, Wishes

Floats = NDArray[np.float64]
MOST_WEIGHED_N = 24
"""Of so many boards the best top of up to sixteen is proven."""
SPARE_WIDTH_FRAC = 0.5
"""Wood kept beyond the asked width, so that there is something to choose from."""
THICKNESS_SPREAD_MM = 3.0
"""What may be planed off to bring boards to one thickness (common practice, no source)."""
_SAMPLES_N = 40
"""Places looked at along and across a face to tell its tone."""


@dataclass(frozen=True, eq=False)
class Shortlist:
    """boards: those to weigh, in the order given. of_n: how many there were. narrowed_by: what was looked at
    to leave out boards that could have been used, empty when every such board is still there."""

    boards: tuple[Board, ...]
    of_n: int
    narrowed_by: tuple[str, ...]


def shortlist_boards(
    boards: Sequence[Board],
    *,
    top_mm: tuple[float, float] | None,
    wishes: Wishes | None = None,
    most_n: int = MOST_WEIGHED_N,
) -> Shortlist:
    """At most most_n boards for a top of (length, width) mm, or as many as half again its width takes.

    Boards that are too short or excluded cannot be used anyway and always go. If too many are left, one
    species is kept, then boards of nearly one thickness, of each what there is most of, then those nearest
    to one another in tone (CIE76; hue alone where the wishes ask for a drift or a mirror of light and
    dark). Boards named by a rule stay. Without a top_mm all boards are to be laid, and all are kept. Raises
    LayoutError when no board is long enough.
    """
    wishes = wishes or Wishes()
    if top_mm is None or len(boards) <= most_n:
        return Shortlist(tuple(boards), len(boards), ())
    named = _named(wishes)
    excluded = {i for rule in wishes.rules if rule.kind == "exclude" for i in rule.boards}
    left = [b for b in boards if b.length_mm >= top_mm[0] and b.id not in excluded]
    if not left:
        raise LayoutError(
            f"No board is {top_mm[0]:.0f} mm long.", "Ask for a shorter top or bring longer boards."
        )
    steps: list[str] = []
    for name, narrow in (
        ("species", _keep_one_species),
        ("thickness", _keep_one_thickness),
        ("tone", _near_in_tone(most_n, lightness=wishes.tone_plan == "even")),
    ):
        kept = narrow(left, named, top_mm[1]) if len(left) > most_n else left
        if len(kept) < len(left):
            steps.append(name)
        left = kept
    # Boards with a rule of their own are checked later, by what knows the rules.
    rest = {b.id for b in left} | {b.id for b in boards if b.id in named | excluded}
    return Shortlist(tuple(b for b in boards if b.id in rest), len(boards), tuple(steps))


def tell_shortlist(layout: Layout, shortlist: Shortlist) -> Layout:
    """The layout with a remark on how its boards were come by.

    What holds for the boards weighed is not proven for all of them: with boards left out that could have
    been used there is neither a proof nor a bound.
    """
    if not shortlist.narrowed_by:
        return layout
    proof = ", and proven best among those" if layout.proven_optimal else ""
    among = f"{len(shortlist.boards)} of {shortlist.of_n} boards"
    words = f"Chosen among {among}, narrowed by {narrowing_words(shortlist)}{proof}."
    return replace(layout, proven_optimal=False, bound=None, remarks=(words, *layout.remarks))


def narrowing_words(shortlist: Shortlist) -> str:
    """What a shortlist was narrowed by: `species, thickness and tone`."""
    return " and ".join(", ".join(shortlist.narrowed_by).rsplit(", ", 1))


def measure_tone_lab(board: Board) -> Floats:
    """Middle CIELAB of a board's show face, (3,), from a grid of places on wood."""
    face = board.faces[0]
    step = [max(1, size // _SAMPLES_N) for size in face.inside.shape]
    wood = face.rgb[:: step[0], :: step[1]][face.inside[:: step[0], :: step[1]]]
    middle = np.median(wood, axis=0) if len(wood) else np.full(3, 128)
    return np.asarray(srgb_to_lab(middle.astype(np.uint8)), dtype=np.float64)


def _named(wishes: Wishes) -> set[str]:
    kinds = ("include", "place", "together")
    return {i for rule in wishes.rules if rule.kind in kinds for i in rule.boards}


def _keep_one_species(boards: list[Board], named: set[str], width_mm: float) -> list[Board]:
    return _keep_most(boards, named, width_mm, [{b.species} for b in boards])


def _keep_one_thickness(boards: list[Board], named: set[str], width_mm: float) -> list[Board]:
    starts = sorted({math.floor(b.thickness_mm) for b in boards})
    within = [{s for s in starts if 0 <= b.thickness_mm - s <= THICKNESS_SPREAD_MM} for b in boards]
    return _keep_most(boards, named, width_mm, within)


def _keep_most(
    boards: list[Board],
    named: set[str],
    width_mm: float,
    groups: Sequence[set[Hashable] | set[int] | set[str]],
) -> list[Board]:
    """The group with most of the boards a rule names, then with most wood; all when none has enough."""
    best, best_worth = boards, (-1, 0.0)
    for group in sorted(set().union(*groups), key=str):
        held = [b for b, its in zip(boards, groups, strict=True) if group in its]
        width = sum(b.width_mm for b in held)
        worth = (sum(b.id in named for b in held), width)
        if width >= width_mm and worth > best_worth:
            best, best_worth = held, worth
    kept = {b.id for b in best} | named
    return [b for b in boards if b.id in kept]


def _near_in_tone(most_n: int, *, lightness: bool) -> Callable[[list[Board], set[str], float], list[Board]]:
    def keep(boards: list[Board], named: set[str], width_mm: float) -> list[Board]:
        tone = np.array([measure_tone_lab(b) for b in boards])[:, 0 if lightness else 1 :]
        width, spare = np.array([b.width_mm for b in boards]), 1 + SPARE_WIDTH_FRAC
        is_named = np.array([b.id in named for b in boards])
        middle = _densest(tone, most_n)
        if is_named.any():
            middle = tone[is_named].mean(axis=0)
        away = np.where(is_named, -1.0, np.linalg.norm(tone - middle, axis=1))
        order = np.argsort(away, kind="stable")
        enough_n = int(np.searchsorted(np.cumsum(width[order]), spare * width_mm)) + 1
        kept = set(order[: max(most_n, enough_n, int(is_named.sum()))].tolist())
        return [b for k, b in enumerate(boards) if k in kept]

    return keep


def _densest(tone: Floats, count: int) -> Floats:
    """The tone (K,) whose `count` nearest lie closest to it, of all tones (n, K)."""
    square = (tone**2).sum(axis=1)
    apart = np.maximum(square[:, None] + square[None] - 2 * tone @ tone.T, 0.0)
    nearest = np.partition(apart, min(count, len(tone)) - 1, axis=1)[:, : min(count, len(tone))]
    return np.asarray(tone[int(np.sqrt(nearest).mean(axis=1).argmin())])
