"""The picture of the whole top: boards lie in it where they lie on the drawn bench."""

from __future__ import annotations

import math

import numpy as np
import pytest

from grainmatch.model import Bench, Light
from grainmatch.photo.whole import rectify_top
from grainmatch.synth import BoardPlace, aim_camera, draw_scene, grow_board


@pytest.mark.parametrize("yaw_deg", [2.0, -7.0])
def test_boards_lie_in_the_whole_picture_where_they_lie_on_the_bench(yaw_deg: float) -> None:
    size = (1000, 750)
    boards = [grow_board(seed=s, length_mm=600 + 30 * s, width_mm=110, knots=0) for s in (0, 1)]
    c, s = math.cos(math.radians(yaw_deg)), math.sin(math.radians(yaw_deg))
    centres = [(0.0, -56.0), (17.0, 56.0)]  # along and across the top's own directions
    places = [BoardPlace((c * x - s * y, s * x + c * y), yaw_deg) for x, y in centres]
    camera = aim_camera(size_px=size, eye_mm=(50, 100, 800))
    scene = draw_scene(boards, camera=camera, places=places, size_px=size)
    light = Light(np.ones((2, 2, 3), dtype=np.float32))
    bench = Bench(scene.photo, camera, 27.0, light, 1.0, 0.01, "the drawing")
    face, left_mm = rectify_top(bench, scene.outlines_px)
    assert face.px_per_mm == 1.0
    assert face.inside.sum() == pytest.approx(
        110 * (600 + 630), rel=0.015
    )  # the mask counts pixels its border touches
    rows = face.inside.shape[0]
    for quarter, (x, _), board in zip((rows // 4, 3 * rows // 4), centres, boards, strict=True):
        on = np.flatnonzero(face.inside[quarter])
        assert left_mm + (on[0] + on[-1] + 1) / 2 == pytest.approx(x, abs=1.0)
        assert len(on) == pytest.approx(board.length_mm, abs=1.5)
