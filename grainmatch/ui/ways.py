"""The pages by name, and links from one to the next."""

from __future__ import annotations

from dataclasses import dataclass

import streamlit as st


@dataclass(frozen=True)
class Way:
    """How a page is called."""

    title: str
    icon: str


WAYS = {
    "jobs": Way("Jobs", ":material/list:"),
    "photos": Way("Photos", ":material/photo_camera:"),
    "boards": Way("Boards", ":material/straighten:"),
    "proposals": Way("Proposals", ":material/view_week:"),
    "top": Way("Top", ":material/table_rows:"),
    "preview": Way("Preview", ":material/visibility:"),
    "papers": Way("Papers", ":material/description:"),
    "dry-fit": Way("Dry fit", ":material/fact_check:"),
}


def show_way(name: str, words: str) -> None:
    """A link to another page."""
    st.page_link(st.session_state["pages"][name], label=words, icon=":material/arrow_forward:")


def go(name: str) -> None:
    """Leave for another page at once."""
    st.switch_page(st.session_state["pages"][name])
