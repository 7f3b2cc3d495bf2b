"""The boards found: outlines on the photos, a table of sizes, and what is known of each."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import asdict, replace
from typing import Any

import streamlit as st

from grainmatch.face.card import draw_card
from grainmatch.face.edits import apply_edits
from grainmatch.model import Board, Face, Features, Side
from grainmatch.store import Job
from grainmatch.ui import desk
from grainmatch.ui.hand_marks import edits_of, swap_sides, with_edits
from grainmatch.ui.marking import show_marks
from grainmatch.ui.measuring import show_waiting_photos, show_work, tell_no_boards
from grainmatch.ui.naming import rename_in_rules
from grainmatch.ui.outlines import faces_by_photo
from grainmatch.ui.photos_page import can_be_drawn_in
from grainmatch.ui.pricing import faces_as_read
from grainmatch.ui.proposing import read_wishes
from grainmatch.ui.rack import show_rack
from grainmatch.ui.redrawing import show_redrawing
from grainmatch.ui.stock import Stock, read_stock, to_jpeg
from grainmatch.ui.ways import show_way
from grainmatch.units import format_measure
from grainmatch.wood.species import find_species

_NAME_PX = 220
_SIDES: tuple[Side, Side] = ("A", "B")
_CUTS = {"plain": "plain-sawn", "rift": "rift-sawn", "quarter": "quartersawn", "unclear": "cut not clear"}


def show() -> None:
    """The page."""
    job = desk.show_header("Boards")
    with desk.in_words():
        shop = desk.the_shop()
        stock = read_stock(shop, job)
        if not stock.boards:
            if not show_waiting_photos(job.id):
                tell_no_boards(job.id, "No boards yet. They come from photos, or from the rack.")
                _show_photos(job, stock)
            show_rack(job, stock)
            return
        show_work(job.id)
        warnings = [desk.plain(words) for words in job.details.get("warnings", ())]
        if warnings:
            st.warning("\n".join(f"- {words}" for words in warnings) if warnings[1:] else warnings[0])
        _show_photos(job, stock)
        _show_table(stock)
        show_rack(job, stock)
        _show_cards(job, stock)
        show_way("proposals", "See how they could lie")


def _show_photos(job: Job, stock: Stock) -> None:
    found = faces_by_photo(stock.boards)
    names: Mapping[str, str] = job.details.get("photo_names", {})
    photos = {p.sha256: p for p in desk.the_shop().list_photos(job.id)}
    shown = [name for name, sha256 in names.items() if sha256 in photos and can_be_drawn_in(photos[sha256])]
    if not shown:
        return
    st.subheader("Outlines", anchor=False)
    first = next((name for name in shown if name in found), shown[0])
    name = st.selectbox("Photo", shown, index=shown.index(first), key=f"photo_{job.id}")
    with desk.in_words():
        show_redrawing(job, photos[names[name]], name, found.get(name, []))


def _show_table(stock: Stock) -> None:
    st.subheader("Sizes", anchor=False)
    longest_n = max(len(b.id) for b in stock.boards)
    wide_px = min(_NAME_PX, 40 + 7 * longest_n)  # left to itself a long name is cut off
    st.dataframe(
        [_row(b) for b in stock.boards],
        hide_index=True,
        column_config={"board": st.column_config.Column(width=wide_px)},
    )
    st.caption(
        "± is one standard deviation. Widths are at the left and right end; crook is the bow of an edge."
    )


def _row(board: Board) -> dict[str, str]:
    bark = board.bark_side or (board.end_grain.bark_side if board.end_grain else None)
    return {
        "board": board.id,
        "length": with_sigma(board.length_mm, board.sigma_length_mm),
        "left width": with_sigma(board.start_width_mm, board.sigma_width_mm),
        "right width": with_sigma(board.end_width_mm, board.sigma_width_mm),
        "crook": desk.length(round(abs(board.crook_mm), 1), decimals=1),
        "thick": desk.length(board.thickness_mm, decimals=1),
        "faces": " and ".join(f.side for f in board.faces),
        "bark side": bark or "not known",
        "species": board.species or "not given",
        "moisture": f"{board.moisture_pct:.1f} %" if board.moisture_pct is not None else "not given",
    }


def with_sigma(value_mm: float, sigma_mm: float) -> str:
    """A measure with its plus-minus, in the units at hand."""
    return format_measure(value_mm, sigma_mm, desk.units())


def _show_cards(job: Job, stock: Stock) -> None:
    st.subheader("One board", anchor=False)
    ids = [b.id for b in stock.boards]
    picked = st.segmented_control("Board", ids, default=ids[0], key=f"card_{job.id}", format_func=desk.plain)
    board_id = picked or ids[0]
    board = stock.by_id[board_id]
    features = faces_as_read(desk.the_shop(), job, Stock((board,), frozenset(), ()))
    for side in _SIDES:
        _show_face(job.id, stock.key, board, side, features.get((board.id, side)))
    st.caption(
        "Remove what is no mark, add what was missed: every arrangement follows from it. An area to keep "
        "out of the top is turned down or trimmed off wherever that can be done. Strokes follow the grain, "
        "longer where it is surer. Hatched: sapwood. Dotted: the line of the arches."
    )
    _show_said(job, board)


@st.fragment
def _show_face(job_id: str, key: object, board: Board, side: Side, read: Features | None) -> None:
    face = board.face(side)
    role = "show face" if side == "A" else "back"
    st.markdown(f"**Face {side}**, {role}")
    if face is None or read is None:
        st.write("Not photographed.")
        return
    with desk.in_words():
        edits = show_marks(job_id, board, side, read, _card(key, board.id, side, _face=face, _features=read))
        tone = read.mean_lab
        marks_n = len(apply_edits(read, edits).marks)
        st.caption(
            f"grain {abs(math.degrees(read.mean_angle_rad)):.1f}° off the length · {_CUTS[read.cut]} · "
            f"{desk.count(marks_n, 'mark')} · sapwood {100 * float(read.sapwood.mean()):.0f} % · "
            f"colour L {tone[0]:.0f} a {tone[1]:.0f} b {tone[2]:.0f}"
        )


@st.cache_data(show_spinner=False, max_entries=64)
def _card(key: object, board_id: str, side: Side, *, _face: Face, _features: Features) -> bytes:
    """The face's card without its marks, which are drawn over it where they can be changed."""
    return to_jpeg(draw_card(_face.rgb, replace(_features, marks=())))


def _show_said(job: Job, board: Board) -> None:
    """What the maker knows better than the photos."""
    said: dict[str, Any] = dict(job.details.get("boards", {}))
    mine: dict[str, Any] = dict(said.get(board.id, {}))
    with st.form(f"said_{board.id}"):
        first, second, third, fourth = st.columns(4)
        name = first.text_input("Name", board.id, max_chars=24)
        species = second.text_input("Species", board.species, placeholder="cherry")
        moisture = third.number_input(
            "Moisture, per cent", 0.0, 40.0, board.moisture_pct, 0.1, placeholder="not measured"
        )
        sides = [None, "A", "B"]
        bark = fourth.selectbox(
            "Bark side",
            sides,
            index=sides.index(board.bark_side),
            format_func=lambda s: f"face {s}" if s else "as read from the end",
        )
        swap = st.checkbox("Make the other face the show face", disabled=len(board.faces) < 2)
        all_boards = st.checkbox("Species and moisture for all boards of this job")
        if st.form_submit_button("Keep"):
            if species.strip():
                species = find_species(species).name
            mine |= {"species": species.strip(), "moisture_pct": moisture, "bark_side": bark}
            if swap:
                mine = with_edits(mine | swapped_words(mine), swap_sides(edits_of(mine)))
            said[board.id] = mine
            if all_boards:
                shared = {"species": species.strip(), "moisture_pct": moisture}
                rows = desk.the_shop().list_boards(job.id)
                said = {r.board_id: {**said.get(r.board_id, {}), **shared} for r in rows}
            job = desk.the_shop().update_job(job.id, details={"boards": said})
            if name.strip() != board.id:
                rename_board(job, board.id, name)
            st.rerun()


def swapped_words(mine: Mapping[str, Any]) -> dict[str, Any]:
    """What was said of a board, now that its other face is the show face."""
    other = {"A": "B", "B": "A"}
    return {
        "swap_faces": not mine.get("swap_faces"),
        "bark_side": other.get(mine.get("bark_side") or ""),
    }


def rename_board(job: Job, board_id: str, new_id: str) -> None:
    """Give a board another name, in layouts and rules too. Raises StoreError when the name is taken."""
    shop = desk.the_shop()
    wanted = " ".join(new_id.split())[:24]
    said = dict(job.details.get("boards", {}))
    if board_id in said:
        said[wanted] = said.pop(board_id)
    bodies = {x.id: _with_new_name(x.body, board_id, wanted) for x in shop.list_layouts(job.id)}
    details: dict[str, Any] = {**job.details, "boards": said}
    if "wishes" in details:
        wishes = read_wishes(job)
        rules = rename_in_rules(wishes.rules, board_id, wanted)
        details["wishes"] = asdict(replace(wishes, rules=rules))
    shop.rename_board(job.id, board_id, wanted, details=details, bodies=bodies)


def _with_new_name(body: str, board_id: str, new_id: str) -> str:
    content = json.loads(body)
    layout = content.get("layout", content)
    for placement in layout["placements"]:
        if placement["board_id"] == board_id:
            placement["board_id"] = new_id
    if "locked" in content:
        content["locked"] = [new_id if name == board_id else name for name in content["locked"]]
    return json.dumps(content)
