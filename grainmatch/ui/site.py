"""The app's front: page set-up, the passcode when it serves the network, and the way to every page."""

from __future__ import annotations

import streamlit as st

from grainmatch.errors import GrainmatchError
from grainmatch.ui import (
    boards_page,
    check_page,
    jobs_page,
    papers_page,
    photos_page,
    preview_page,
    proposals_page,
    top_page,
)
from grainmatch.ui.demo import first_job
from grainmatch.ui.desk import show_error, the_shop
from grainmatch.ui.door import ask_passcode, may_enter
from grainmatch.ui.mark import draw_mark
from grainmatch.ui.ways import WAYS

_SHOW = {
    "jobs": jobs_page.show,
    "photos": photos_page.show,
    "boards": boards_page.show,
    "proposals": proposals_page.show,
    "top": top_page.show,
    "preview": preview_page.show,
    "papers": papers_page.show,
    "dry-fit": check_page.show,
}
# What Streamlit draws small for a finger: the list of pages and its opener, links, pills, buttons, folds.
_FOR_FINGERS = (
    "<style>@media (pointer:coarse){"
    "[data-testid=stSidebarNavLink],"
    "[data-testid=stExpandSidebarButton],"
    "[data-testid=stSidebarCollapseButton] button,"
    "[data-testid=stPageLink-NavLink],"
    "[data-testid=stButtonGroup] button,"
    "[data-testid=stExpander] summary,"
    "[data-testid=stCheckbox] label,"
    "[data-testid=stButton] button,"
    "[data-testid=stDownloadButton] button,"
    "[data-testid=stFormSubmitButton] button,"
    "[data-testid=stPopover] button{min-height:44px}"
    "[data-testid=stExpandSidebarButton],[data-testid=stSidebarCollapseButton] button,"
    "[data-testid=stButtonGroup] button{min-width:44px}"
    "[data-testid=stCheckbox] label{align-items:center}"
    "}</style>"
)


def show_site(*, open_on: str = "proposals") -> None:
    """Show the app; called once for every run of the script. open_on names the first page."""
    st.set_page_config(page_title="grainmatch", page_icon=draw_mark(), layout="wide")
    st.html("<style>.stMainBlockContainer{padding-top:4.5rem}</style>")
    st.html(_FOR_FINGERS)
    pages = {
        name: st.Page(
            show,
            title=WAYS[name].title,
            icon=WAYS[name].icon,
            url_path="first" if name == open_on else name,
            default=name == open_on,
        )
        for name, show in _SHOW.items()
    }
    st.session_state["pages"] = pages

    def go_to_first() -> None:
        st.switch_page(pages[open_on], query_params=st.query_params.to_dict())

    # The first page is served at / alone; who types its name, as for the others, is led there.
    typed = st.Page(go_to_first, title=WAYS[open_on].title, url_path=open_on, visibility="hidden")
    admitted = may_enter()
    # The page that was asked for is found out before the passcode is, so that it opens afterwards.
    page = st.navigation([*pages.values(), typed], position="top" if admitted else "hidden")
    if not admitted:
        ask_passcode()
        return
    try:
        first_job(the_shop())
    except GrainmatchError as error:
        show_error(error)
        return
    page.run()
