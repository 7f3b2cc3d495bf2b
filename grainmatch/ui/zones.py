"""Zones of a face that the maker wants out of sight, marked right on its picture."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import streamlit as st
from PIL import Image

from grainmatch.model import Board, Side
from grainmatch.store import Job
from grainmatch.ui import desk
from grainmatch.ui.outline_view import Shape, show_outlines


def show_zones(job: Job, board: Board, side: Side, card: bytes) -> None:
    """The face's card, on which zones can be drawn; changed ones are kept in the job at once."""
    face = board.face(side)
    if face is None:
        return
    size = Image.open(io.BytesIO(card)).size
    scale = size[0] / face.rgb.shape[1] * face.px_per_mm
    kept: list[Any] = job.details.get("boards", {}).get(board.id, {}).get("keep_out", {}).get(side, [])
    shapes = [_as_shape(n, zone, scale) for n, zone in enumerate(kept, 1)]
    round_name = f"zones_{job.id}_{board.id}_{side}"
    drawn = show_outlines(
        card,
        size,
        shapes,
        rev=st.session_state.setdefault(round_name, 1),
        noun="zone",
        words=f"Face {side} of {board.id}",
        key=f"{round_name}_view",
    )
    if drawn is None or [s.corners for s in drawn] == [s.corners for s in shapes]:
        return
    if st.button("Keep these zones out of sight", key=f"{round_name}_keep", type="primary"):
        zones = [np.round(np.divide(s.corners, scale), 1).tolist() for s in drawn]
        keep_zones(job, board.id, side, zones)
        st.session_state[round_name] += 1
        st.rerun()


def _as_shape(number: int, zone_mm: Any, scale: float) -> Shape:
    a, b, c, d = ((float(x) * scale, float(y) * scale) for x, y in zone_mm)
    return Shape(f"zone-{number}", (a, b, c, d), "keep out")


def keep_zones(job: Job, board_id: str, side: Side, zones_mm: list[Any]) -> None:
    """Keep a face's zones (each four corners in face mm) with the job."""
    said: dict[str, Any] = dict(job.details.get("boards", {}))
    mine: dict[str, Any] = dict(said.get(board_id, {}))
    mine["keep_out"] = {**mine.get("keep_out", {}), side: zones_mm}
    desk.the_shop().update_job(job.id, details={"boards": {**said, board_id: mine}})
