"""Layout -> glue-up plan: stages, clamps, glue, jointing marks, and what to mind."""

from __future__ import annotations

import math
from collections.abc import Sequence

from grainmatch.glueup.clamps import ClampSet, count_words, plan_clamps, pressure_for_mpa
from grainmatch.glueup.glue import (
    CLAMPED_MIN,
    JOINT_WITHIN_H,
    LARGEST_GAP_MM,
    NO_STRESS_H,
    SURFACE_AFTER_DAYS,
    check_temperature,
    predict_glue_g,
    predict_work_min,
)
from grainmatch.glueup.stages import Parts, StageLimits, choose_rounds
from grainmatch.glueup.trim import rough_ends
from grainmatch.model import Board, Layout, Tools
from grainmatch.panel import place_top
from grainmatch.plans import EdgeMark, GlueUp, Stage
from grainmatch.wood.moisture import DEFAULT_ROOM, Room, check_moisture
from grainmatch.wood.top import LaidBoard, lay_boards

CAUL_SPACING_MM = 600.0
"""Between pairs of cauls across the panel. Common practice, no source."""
STILL_MOVES_MIN = "15 to 20"
"""Minutes after machining in which a fresh edge can already move (gluing guide, read in one text)."""

CAUTIONS = (
    "The instructions of the makers of glue, clamps and machines come first, and so do local rules.",
    "Protect eyes and ears at every machine; guards on; dust collector and mask: fine dust harms the lungs.",
    "Jointer and saw: push blocks, no gloves, no short or loose pieces; never adjust a running machine.",
    "Clamps store force: tighten by hand only, stand aside of the bars, and keep fingers out of the seams.",
    "A glued panel is heavy: lift with the legs, two people when in doubt.",
    "Rags soaked with oil finish catch fire by themselves: spread them out to dry outdoors, or drown them.",
)


def plan_glueup(
    layout: Layout,
    boards: Sequence[Board],
    *,
    tools: Tools = Tools(),  # noqa: B008 - frozen
    room: Room = DEFAULT_ROOM,
) -> GlueUp:
    """Stages, clamps and glue for the boards of a layout, in the order of work.

    Boards much longer than the top are taken as cut to rough length first. Raises LayoutError for a missing
    board or one ripped to nothing, WoodError for an unknown wood.
    """
    laid = lay_boards(layout, boards, room=room)
    ends = rough_ends(place_top(layout, boards))
    shop = _Work(laid, [ends[b.board_id] for b in laid], tools)
    limits = StageLimits(shop.fits, tools.planer_width_mm, tools.lift_kg * tools.people_n)
    rounds = choose_rounds(
        [b.width_mm for b in laid], [shop.weight_kg((k,)) for k in range(len(laid))], limits
    )
    last_day = len(rounds)
    stages = tuple(
        shop.plan_stage(parts, day, last=day == last_day)
        for day, group in enumerate(rounds, 1)
        for parts in group
    )
    glue = sum(stage.glue_g for stage in stages)
    by_id = {b.id: b for b in boards}
    measured = {b.board_id: by_id[b.board_id].moisture_pct for b in laid}
    assumptions = [b.assumed_moisture for b in laid if b.assumed_moisture]
    return GlueUp(
        stages=stages,
        edge_marks=_mark_edges(layout),
        glue_g=glue,
        glue_enough=tools.glue_g >= glue,
        surface_after_days=SURFACE_AFTER_DAYS,
        cauls=_plan_cauls(stages),
        steps=_steps(stages),
        cautions=CAUTIONS,
        warnings=(
            *check_moisture(measured, room=room),
            *check_temperature(tools.temperature_c),
            *_glue_warning(glue, tools),
            *_machine_warnings(laid, tools),
        ),
        assumptions=tuple(
            dict.fromkeys((*assumptions, "Working times are one person's guess: rehearse with dry boards."))
        ),
    )


class _Work:
    """The boards as they lie, and what one glue-up of some of them asks for."""

    def __init__(self, laid: Sequence[LaidBoard], ends: Sequence[tuple[float, float]], tools: Tools) -> None:
        self.laid, self.ends, self.tools = laid, ends, tools

    def weight_kg(self, boards: Sequence[int]) -> float:
        """Weight at 12 % moisture; a wood of unknown density counts as 650 kg/m3."""
        return sum(
            self.laid[k].width_mm
            * self.laid[k].thickness_mm
            * (self.ends[k][1] - self.ends[k][0])
            * 1e-9
            * (self.laid[k].species.density_kg_m3 or 650.0)
            for k in boards
        )

    def fits(self, parts: Parts) -> bool:
        """Whether those parts can be glued in one go: hands and open time."""
        if len(parts) - 1 > self.tools.most_seams_n * self.tools.people_n:
            return False
        return self._work_min(parts, len(self._clamps(parts).clamps)) <= self.tools.open_min

    def plan_stage(self, parts: Parts, day: int, *, last: bool) -> Stage:
        """One glue-up with its clamps, glue and words."""
        boards = [k for part in parts for k in part]
        clamps = self._clamps(parts)
        seams = self._seams(parts)
        thickness = max(self.laid[k].thickness_mm for k in boards)
        glue_g = predict_glue_g(
            seam_length_mm=sum(self._seam_length_mm(s) for s in seams), thickness_mm=thickness
        )
        width, weight = sum(self.laid[k].width_mm for k in boards), self.weight_kg(boards)
        work = self._work_min(parts, len(clamps.clamps))
        return Stage(
            day=day,
            parts=tuple(tuple(self.laid[k].board_id for k in part) for part in parts),
            seams=seams,
            length_mm=max(self.ends[k][1] for k in boards) - min(self.ends[k][0] for k in boards),
            width_mm=width,
            weight_kg=weight,
            clamps=clamps.clamps,
            spacing_mm=clamps.spacing_mm,
            force_n=clamps.force_n,
            pressure_mpa=clamps.pressure_mpa,
            wanted_mpa=clamps.wanted_mpa,
            glue_g=glue_g,
            work_min=work,
            open_min=self.tools.open_min,
            clamped_min=CLAMPED_MIN,
            steps=_stage_steps(len(parts), len(seams), clamps, last=last),
            warnings=(*clamps.warnings, *self._stage_warnings(width, weight, work, last=last)),
        )

    def _seams(self, parts: Parts) -> tuple[int, ...]:
        return tuple(part[-1] for part in parts[:-1])

    def _seam_length_mm(self, seam: int) -> float:
        (left, right), (next_left, next_right) = self.ends[seam], self.ends[seam + 1]
        return max(0.0, min(right, next_right) - max(left, next_left))

    def _clamps(self, parts: Parts) -> ClampSet:
        boards = [k for part in parts for k in part]
        start, end = max(self.ends[k][0] for k in boards), min(self.ends[k][1] for k in boards)
        width = [sum(self.laid[k].width_mm for k in part) for part in parts]
        ranges = [pressure_for_mpa(self.laid[k].species) for k in boards]
        return plan_clamps(
            length_mm=max(end - start, 1.0),
            thickness_mm=max(self.laid[k].thickness_mm for k in boards),
            to_seam_mm=min(width[0], width[-1]),
            # the softer wood decides, so that it is not crushed
            wanted_mpa=min(ranges),
            clamps_n=self.tools.clamps_n,
            clamp_force_n=self.tools.clamp_force_n,
            head_mm=self.tools.clamp_head_mm,
            caul_mm=self.tools.caul_mm,
            from_mm=start - min(self.ends[k][0] for k in boards),
        )

    def _work_min(self, parts: Parts, clamps_n: int) -> float:
        lengths = tuple(self._seam_length_mm(s) for s in self._seams(parts))
        return predict_work_min(seam_lengths_mm=lengths, clamps_n=clamps_n, people_n=self.tools.people_n)

    def _stage_warnings(self, width: float, weight: float, work: float, *, last: bool) -> list[str]:
        tools, warnings = self.tools, []
        if work > tools.open_min:
            warnings.append(
                f"Spreading and clamping take about {work:.0f} min, the glue stays open {tools.open_min:g}: "
                "take a slower glue or a helper."
            )
        if width + 2 * tools.caul_mm > tools.clamp_reach_mm:
            warnings.append(
                f"The panel is {width:.0f} mm wide, the clamps reach {tools.clamp_reach_mm:.0f} mm."
            )
        if weight > tools.lift_kg * tools.people_n:
            warnings.append(f"The panel weighs about {weight:.0f} kg: get a second pair of hands.")
        if tools.planer_width_mm is not None and width > tools.planer_width_mm and not last:
            warnings.append(
                f"At {width:.0f} mm it does not pass the planer ({tools.planer_width_mm:.0f} mm): "
                "level the boards with care."
            )
        return warnings


def _mark_edges(layout: Layout) -> tuple[EdgeMark, ...]:
    """Neighbours go over the jointer with opposite faces to the fence, so that a fence a little out of
    square gives angles that cancel at every seam (common practice, no source)."""
    if len(layout.placements) < 2:
        return ()
    return tuple(
        EdgeMark(p.board_id, p.pose.side_up, show_face_in=k % 2 == 0) for k, p in enumerate(layout.placements)
    )


def _plan_cauls(stages: Sequence[Stage]) -> tuple[str, ...]:
    if not stages:
        return ()
    widest = max(stages, key=lambda s: s.width_mm)
    pairs = max(2, math.ceil(widest.length_mm / CAUL_SPACING_MM))
    length_mm = math.ceil((widest.width_mm + 50) / 10) * 10
    return (
        f"{pairs} pairs of stiff battens {length_mm} mm long, one of each pair above and one below, keep the "
        "boards level.",
        "Wax them or cover them with tape, so that they do not stick; crown the inner edge by a hair.",
        "Set them before the clamps are tight and snug them as the seams close.",
    )


def _stage_steps(parts_n: int, seams_n: int, clamps: ClampSet, *, last: bool) -> tuple[str, ...]:
    seams = "seam" if seams_n == 1 else f"{seams_n} seams"
    under = sum(not c.over for c in clamps.clamps)
    return (
        f"Lay the {parts_n} parts dry on {count_words(under)}, show faces up, and close them: "
        f"no gap over {LARGEST_GAP_MM} mm.",
        f"Open, spread glue on the {seams}, close, level the boards from the middle outwards.",
        "Tighten in the order of the numbers, from the middle outwards, until beads of glue stand all along.",
        "Do not slacken a clamp once glue has come out.",
        f"Leave {CLAMPED_MIN:.0f} min in the clamps, then lay the panel with air on both faces; "
        + (
            "the next stage follows tomorrow."
            if not last
            else f"no planing or sawing for {NO_STRESS_H:.0f} h."
        ),
    )


def _steps(stages: Sequence[Stage]) -> tuple[str, ...]:
    if not stages:
        return ("One board: no seam to glue.",)
    days = stages[-1].day
    steps = [
        f"Joint each edge on the day it is glued, {JOINT_WITHIN_H:.0f} h before at most: "
        f"a fresh edge can move within {STILL_MOVES_MIN} min.",
        "Hold the boards at the jointer as marked: show face to the fence (in) or away from it (out).",
        "Rehearse every stage without glue, with all clamps and battens.",
    ]
    if days > 1:
        steps.append(
            f"{len(stages)} glue-ups on {days} days: each day's panels rest overnight before they are joined."
        )
        steps.append("Scrape the seams flush and joint the outer edges again before the next stage.")
    steps.append(
        f"Surface the finished panel {SURFACE_AFTER_DAYS} days after the last glue-up: "
        "seams planed sooner can sink."
    )
    return tuple(steps)


def _glue_warning(glue_g: float, tools: Tools) -> tuple[str, ...]:
    if tools.glue_g >= glue_g:
        return ()
    return (
        f"The plan asks for {glue_g:.0f} g of glue and {tools.glue_g:.0f} g are at hand: buy a bottle first.",
    )


def _machine_warnings(laid: Sequence[LaidBoard], tools: Tools) -> list[str]:
    warnings = []
    if tools.jointer_width_mm is not None:
        wide = [b.board_id for b in laid if b.width_mm > tools.jointer_width_mm]
        if wide:
            warnings.append(
                f"Wider than the jointer ({tools.jointer_width_mm:.0f} mm): {', '.join(wide)}. "
                "Flatten these faces by hand plane or on a sled in the planer."
            )
    if tools.planer_width_mm is not None and sum(b.width_mm for b in laid) > tools.planer_width_mm:
        warnings.append(
            "The finished panel does not pass the planer: hand plane, scraper or sander do the last work."
        )
    return warnings
