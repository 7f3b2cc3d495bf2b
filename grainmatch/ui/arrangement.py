"""The layout being worked on by hand: what lies where, which boards are locked, and the way back."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from grainmatch.model import Board, Placement, Pose, Side

_STEPS_KEPT = 200
_SLIDE_MOST_MM = 2000.0
_LEFT_OVER_MM = 5.0


@dataclass(frozen=True)
class Arrangement:
    """Placements, top edge to bottom edge, and the boards that must stay as they lie."""

    placements: tuple[Placement, ...]
    locked: frozenset[str] = frozenset()

    def to_items(self) -> list[dict[str, Any]]:
        """As the browser's view holds it."""
        return [
            {
                "id": p.board_id,
                "side": p.pose.side_up,
                "turned": p.pose.turned,
                "slide_mm": p.pose.slide_mm,
                "rip_mm": list(p.rip_mm),
                "locked": p.board_id in self.locked,
            }
            for p in self.placements
        ]


def read_items(items: Any, boards: Mapping[str, Board]) -> Arrangement | None:
    """What the browser sent, checked against the boards there are; None when it cannot be so."""
    try:
        placements = tuple(_read_placement(item, boards) for item in items)
        locked = frozenset(p.board_id for p, item in zip(placements, items, strict=True) if item["locked"])
    except (TypeError, ValueError, KeyError, AttributeError):
        return None
    if not placements or len({p.board_id for p in placements}) != len(placements):
        return None
    return Arrangement(placements, locked)


def _read_placement(item: Mapping[str, Any], boards: Mapping[str, Board]) -> Placement:
    board = boards[item["id"]]
    side: Side = "B" if item["side"] == "B" else "A"
    slide, upper, lower = float(item["slide_mm"]), *(float(v) for v in item["rip_mm"])
    possible = (
        math.isfinite(slide + upper + lower)
        and abs(slide) <= _SLIDE_MOST_MM
        and min(upper, lower) >= 0
        and upper + lower <= board.width_mm - _LEFT_OVER_MM
    )
    if not possible:
        raise ValueError("out of range")
    return Placement(board.id, Pose(side, bool(item["turned"]), slide), (upper, lower))


@dataclass
class Workbench:
    """The arrangement on the bench with every earlier and undone one.

    rev tells the browser's view to take over what is here; seq is the last edit that came from it.
    """

    now: Arrangement
    rev: int = 1
    seq: int = 0
    past: list[Arrangement] = field(default_factory=list)
    future: list[Arrangement] = field(default_factory=list)

    def put(self, arrangement: Arrangement) -> None:
        """Replace the arrangement by one made here; can be undone."""
        self._push(arrangement)
        self.rev += 1

    def take(self, answer: Any, boards: Mapping[str, Board]) -> bool:
        """Take over the edits in an answer from the browser. Returns whether there were new ones.

        Answers to an earlier revision, edits already seen and impossible ones are passed over.
        """
        if not isinstance(answer, Mapping) or answer.get("rev") != self.rev:
            return False
        steps = answer.get("steps")
        taken = False
        for step in steps if isinstance(steps, Sequence) else ():
            if (
                not isinstance(step, Mapping)
                or not isinstance(step.get("seq"), int)
                or step["seq"] <= self.seq
            ):
                continue
            arrangement = read_items(step.get("layout"), boards)
            if arrangement is not None:
                self._push(arrangement)
                taken = True
            else:
                self.rev += 1
            self.seq = step["seq"]
        return taken

    def go(self, way: Literal["back", "forward"]) -> None:
        """Undo or redo one step, when there is one."""
        here, there = (self.past, self.future) if way == "back" else (self.future, self.past)
        if here:
            there.append(self.now)
            self.now = here.pop()
            self.rev += 1

    def _push(self, arrangement: Arrangement) -> None:
        if arrangement == self.now:
            return
        self.past = [*self.past, self.now][-_STEPS_KEPT:]
        self.future = []
        self.now = arrangement
