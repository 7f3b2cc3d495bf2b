"""Draws boards, bench, light and reference sheet whose truth is known, for tests and benchmarks."""

from grainmatch.synth.bench import draw_sheet
from grainmatch.synth.cut import SynthFace, arches_point, draw_end, draw_face, rip, true_mean_lab
from grainmatch.synth.render import SheetPlace
from grainmatch.synth.scene import (
    BoardPlace,
    PictureBoard,
    SynthScene,
    aim_camera,
    draw_ends_scene,
    draw_scene,
    lay_side_by_side,
)
from grainmatch.synth.solid import (
    SolidBoard,
    SynthKnot,
    grow_board,
    planing_direction,
    ring_gradient,
    ring_radius_mm,
)

__all__ = [
    "BoardPlace",
    "PictureBoard",
    "SheetPlace",
    "SolidBoard",
    "SynthFace",
    "SynthKnot",
    "SynthScene",
    "aim_camera",
    "arches_point",
    "draw_end",
    "draw_ends_scene",
    "draw_face",
    "draw_scene",
    "draw_sheet",
    "grow_board",
    "lay_side_by_side",
    "planing_direction",
    "ring_gradient",
    "ring_radius_mm",
    "rip",
    "true_mean_lab",
]
