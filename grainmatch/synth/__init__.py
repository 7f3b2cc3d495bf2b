"""Draws boards, bench, light and reference sheet whose truth is known, for tests and benchmarks."""

from grainmatch.synth.cut import SynthFace, arches_point, draw_end, draw_face, rip, true_mean_lab
from grainmatch.synth.solid import (
    SolidBoard,
    SynthKnot,
    grow_board,
    planing_direction,
    ring_gradient,
    ring_radius_mm,
)

__all__ = [
    "SolidBoard",
    "SynthFace",
    "SynthKnot",
    "arches_point",
    "draw_end",
    "draw_face",
    "grow_board",
    "planing_direction",
    "ring_gradient",
    "ring_radius_mm",
    "rip",
    "true_mean_lab",
]
