"""Planing direction: which way a face planes with the grain.

Growth layers are cones that narrow up the tree, and on any flat-sawn face their arches point up the
tree. Fibres lie in the layers, so they lean towards the pith as they climb. Where the pith lies below
the face (bark side up) they dive as they run up the tree; where it lies above (heart side up) they rise
out of the face. A cutter planes with the grain when it travels the way the fibres rise: heart side
up, the way the arches point; bark side up, the other way (common practice, no source; the tests derive
it from the solid model in `synth`).
"""

from __future__ import annotations

from typing import Literal

from grainmatch.model import Features

Direction = Literal[-1, 0, 1]


def planing_direction(features: Features, bark_side_up: bool | None) -> tuple[Direction, float]:
    """Way a cutter should travel over this face, and the confidence 0..1.

    +1 means towards the right end of the face as pictured, -1 towards the left, 0 when it cannot be
    told: no arches, arches of unknown direction, or an unknown bark side. The arrow belongs to the
    face: it swaps when the board is turned, and each face has its own.
    """
    cathedral = features.cathedral
    if cathedral is None or cathedral.arches_point == 0 or bark_side_up is None:
        return 0, 0.0
    up_the_tree: Direction = cathedral.arches_point
    away: Direction = -1 if up_the_tree == 1 else 1
    return (away if bark_side_up else up_the_tree), cathedral.confidence
