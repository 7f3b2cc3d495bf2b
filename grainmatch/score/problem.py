"""Boards and wishes -> Problem: every seam and every pose priced, as plain numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from grainmatch.errors import LayoutError
from grainmatch.model import Board, Problem, Rule, Wishes
from grainmatch.score.pile import POSES, TURN_OF, FaceFeatures, Pile, read_pile, tone_range_de

Floats = NDArray[np.float64]
STRONG_STEP_DE = 8.0
"""A colour step this large at a seam counts 1 (6 to 12 is 'large' in wood papers' colour classes)."""
FULL_SAPWOOD_FRAC = 0.05
"""A face of which this share is sapwood counts 1 when it is to be hidden (own choice: a streak this wide
is what the eye goes to first in dark wood)."""
FLAT_MM = 0.5
"""Two boards this far out of flat over the year count 1 (own choice: felt by hand, seen in raking light)."""
BARRED_IN_SIGHT = 3.0
"""What each area in sight costs that was to be kept out of the top, whatever the wishes (own choice: more
than all that one board's seams can gain)."""
CLUMP_DE = 6.0
"""A run of boards whose summed lightness strays this far from even counts 1 at every seam in it."""
_MEANS_TRIED_N = 5
_OTHER_PLANS = {"drift": ("light to dark", "dark to light"), "mirror": ("dark middle", "light middle")}


def build_problem(
    boards: Sequence[Board],
    features: FaceFeatures,
    *,
    top_mm: tuple[float, float] | None = None,
    wishes: Wishes | None = None,
) -> Problem:
    """Price every seam in every pose by the maker's wishes.

    top_mm: length and width of the finished top; None takes all boards at full length. Raises
    LayoutError when the boards cannot make the top or a rule names a board that is not there.
    """
    pile = read_usable(boards, features, length_mm=top_mm[0] if top_mm else None)
    return price_pile(pile, top_mm=top_mm, wishes=wishes or Wishes())


def read_usable(boards: Sequence[Board], features: FaceFeatures, *, length_mm: float | None = None) -> Pile:
    """Raw costs of the boards long enough for the top. Slow, but good for all wishes and widths.

    Raises LayoutError when no board is long enough.
    """
    usable = [b for b in boards if length_mm is None or b.length_mm >= length_mm]
    if boards and not usable:
        raise LayoutError(
            f"No board is {length_mm or 0:.0f} mm long.",
            "Ask for a shorter top or bring longer boards.",
        )
    return read_pile(usable, features, length_mm=length_mm)


def price_pile(pile: Pile, *, top_mm: tuple[float, float] | None, wishes: Wishes) -> Problem:
    """Weigh a pile's raw costs by the wishes. Cheap: sliders may call it at every move."""
    check_rules(pile.board_ids, wishes.rules)
    seam_terms = _weigh_seams(pile, wishes)
    pose_terms = _weigh_poses(pile, wishes, top_mm)
    pose_cost = _sum(pose_terms, (len(pile.board_ids), len(POSES)))
    pose_cost[~pile.can] = np.inf
    forbid_poses(pose_cost, pile.board_ids, wishes.rules)
    _check_poses(pose_cost, pile.board_ids)
    target = top_mm[1] if top_mm else None
    _check_width(pile, target)
    n = len(pile.board_ids)
    load, means = _balance(pile, wishes, everything=target is None)
    look_terms = _look(pile)
    plans = _OTHER_PLANS.get(wishes.tone_plan, ())
    half_range = max(tone_range_de(pile.lightness, pile.can), 1.0)
    middle = float(np.median(pile.lightness[pile.can]))
    return Problem(
        board_ids=pile.board_ids,
        poses=POSES,
        width_mm=pile.width_mm,
        pose_cost=pose_cost,
        seam_cost=_sum(seam_terms, (n, 4, n, 4)),
        n_pick=None if target is not None else n - _excluded(wishes.rules),
        target_width_mm=target,
        pose_terms=pose_terms,
        seam_terms=seam_terms,
        place_value=(pile.lightness - middle) / half_range if plans and wishes.even_tone else None,
        place_plans=plans if wishes.even_tone else (),
        place_weight=wishes.even_tone,
        balance_load=load,
        balance_means=means,
        waste_per_mm=wishes.waste / float(pile.width_mm.mean()),
        seam_look=_sum(look_terms, (n, 4, n, 4)),
        look_terms=look_terms,
        turn_of=TURN_OF,
        rules=wishes.rules,
        top_mm=top_mm,
    )


def _weigh_seams(pile: Pile, wishes: Wishes) -> dict[str, Floats]:
    raw = pile.seams
    arches = {"same": raw["arches"], "alternate": raw["arches"][:, list(TURN_OF)], "ignore": None}[
        wishes.arch_plan
    ]
    terms = {
        "line_flow": wishes.line_flow * raw["line_flow"],
        "tone_match": wishes.tone_match / STRONG_STEP_DE * raw["tone_match"],
        "knots": wishes.knots * raw["knots"],
        "planing": wishes.planing * raw["planing"],
        "cuts": wishes.cuts * raw["cut"],
        "stay_flat": wishes.stay_flat / FLAT_MM * raw["stay_flat"],
    }
    if arches is not None:
        terms["arches"] = wishes.arches * arches
    if wishes.sapwood_plan == "hide":
        terms["hide_sapwood"] = wishes.hide_sapwood * raw["sapwood"]
    elif wishes.sapwood_plan == "balance":
        terms["hide_sapwood"] = wishes.hide_sapwood * raw["sapwood stripes"]
    return {name: value for name, value in terms.items() if np.any(value)}


def _look(pile: Pile) -> dict[str, Floats]:
    """What makes each seam show, whatever the wishes (own choice of shares)."""
    return {
        "line_flow": 0.6 * pile.seams["line_flow"],
        "tone_match": 0.4 / STRONG_STEP_DE * pile.seams["tone_match"],
        "knots": pile.seams["knots"],
        "hide_sapwood": 0.5 * pile.seams["sapwood stripes"],
    }


def _weigh_poses(pile: Pile, wishes: Wishes, top_mm: tuple[float, float] | None) -> dict[str, Floats]:
    terms = {
        "knots": wishes.knots * pile.alone["knots"],
        "keep_out": BARRED_IN_SIGHT * pile.alone["keep out"],
        "narrow": 0.3 * pile.alone["narrow"],
    }
    if wishes.sapwood_plan == "hide":
        terms["hide_sapwood"] = wishes.hide_sapwood / FULL_SAPWOOD_FRAC * pile.alone["sapwood"]
    if top_mm is not None:
        spare = np.maximum(0.0, pile.length_mm - top_mm[0]) / pile.length_mm
        terms["waste"] = wishes.waste * np.repeat(spare[:, None], len(POSES), axis=1)
    return {name: value for name, value in terms.items() if np.any(value)}


def _balance(pile: Pile, wishes: Wishes, *, everything: bool) -> tuple[Floats | None, tuple[float, ...]]:
    """Each board's lightness as a load, and the means to measure it from."""
    if wishes.tone_plan != "even" or wishes.even_tone == 0 or len(pile.board_ids) < 3:
        return None, ()
    each = np.array([values[can].mean() for values, can in zip(pile.lightness, pile.can, strict=True)])
    load = np.sqrt(wishes.even_tone) / CLUMP_DE * (each - each.mean())
    if everything and not any(r.kind == "exclude" for r in wishes.rules):
        return load, (0.0,)
    return load, tuple(float(m) for m in np.quantile(load, np.linspace(0.1, 0.9, _MEANS_TRIED_N)))


# --- rules -----------------------------------------------------------------------------------


def check_rules(board_ids: Sequence[str], rules: Sequence[Rule]) -> None:
    """Raises LayoutError for a rule about a board that is not in the pile."""
    for rule in rules:
        for board in rule.boards:
            if board not in board_ids:
                raise LayoutError(f"A rule names board {board}, which cannot be used.", "Drop that rule.")


def forbid_poses(pose_cost: Floats, board_ids: Sequence[str], rules: Sequence[Rule]) -> None:
    """Set to inf, in place, every pose the rules rule out."""
    for rule in rules:
        k = board_ids.index(rule.boards[0])
        for p, pose in enumerate(POSES):
            if (
                rule.kind == "exclude"
                or (rule.kind == "never_side" and pose.side_up == rule.side)
                or (rule.kind == "end_left" and pose.turned != rule.turned)
            ):
                pose_cost[k, p] = np.inf


def _excluded(rules: Sequence[Rule]) -> int:
    return len({b for r in rules if r.kind == "exclude" for b in r.boards})


def _check_poses(pose_cost: Floats, board_ids: Sequence[str]) -> None:
    if not np.isfinite(pose_cost).any():
        raise LayoutError("The rules leave no board that can be laid.", "Drop a rule.")


def _check_width(pile: Pile, target: float | None) -> None:
    if target is not None and pile.width_mm.sum() < target:
        raise LayoutError(
            f"All boards together are {pile.width_mm.sum():.0f} mm wide, {target:.0f} mm are asked.",
            "Add boards or ask for a narrower top.",
        )


def _sum(terms: Mapping[str, Floats], shape: tuple[int, ...]) -> Floats:
    return np.asarray(sum(terms.values(), np.zeros(shape)), dtype=np.float64)
