"""The last look before the glue: a photo of the boards laid out, compared with a saved layout."""

from __future__ import annotations

import streamlit as st

from grainmatch.photo.read import read_photo
from grainmatch.pipeline.check import DryFit, check_photo
from grainmatch.report.record import layout_from_json
from grainmatch.ui import desk
from grainmatch.ui.photos_page import PHOTO_TYPES
from grainmatch.ui.proposals_page import top_picture
from grainmatch.ui.stock import Stock, read_stock
from grainmatch.ui.ways import show_way


def show() -> None:
    """The page."""
    job = desk.show_header("Dry fit", about="do the boards lie as planned?")
    with desk.in_words():
        saved = desk.the_shop().list_layouts(job.id, "saved")[::-1]
        if not saved:
            st.info("No layout saved yet. Save one, lay the boards out by it, then take their photo.")
            show_way("proposals", "See the proposals")
            return
        by_name = {f"{s.name}{' · chosen' if s.chosen else ''} · {s.id}": s for s in saved}
        first = next((n for n, s in by_name.items() if s.chosen), next(iter(by_name)))
        name = st.selectbox("Layout", list(by_name), index=list(by_name).index(first))
        stock = read_stock(desk.the_shop(), job)
        body = by_name[name].body
        st.image(top_picture(body, stock.key, _stock=stock))
        photo = st.file_uploader(
            "Photo of the boards laid out, all ends in the picture, the sheet beside them if you have it",
            type=PHOTO_TYPES,
            max_upload_size=60,
        )
        if photo is not None:
            with st.spinner("Looking at every board"):
                fit = _check(body, stock, photo.name, photo.getvalue())
            _show_result(fit)


def _check(body: str, stock: Stock, name: str, data: bytes) -> DryFit:
    return check_photo(read_photo(data, name=name), layout_from_json(body), stock.boards)


def _show_result(fit: DryFit) -> None:
    if not fit.differences:
        st.success("Every board lies as in the layout.", icon=":material/check:")
        show_way("papers", "Open the papers for the glue-up")
        return
    st.warning("Before the glue, look again:", icon=":material/front_hand:")
    differences = [desk.in_my_units(line) for line in fit.differences]
    st.markdown("\n".join(f"- {desk.plain(line)}" for line in differences))
    st.caption("If that is not meant, put it right, take another photo and add it above.")
