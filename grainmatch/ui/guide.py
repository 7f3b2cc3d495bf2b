"""A picture of how to take the photos, with the words beside it."""

from __future__ import annotations

import streamlit as st

_BOARDS = "".join(
    f'<rect x="60" y="{70 + 30 * k}" width="300" height="26" rx="2" fill="{tone}" stroke="#5b4632"/>'
    for k, tone in enumerate(("#c58f5f", "#b97f50", "#cf9c6c", "#bd8757"))
)
_GUIDE = f"""<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 480 300" role="img"
 aria-label="Boards side by side on the bench, the sheet beside them, the phone above the middle">
<rect width="480" height="300" fill="#f3f1ec"/>
<rect x="20" y="40" width="440" height="190" rx="6" fill="#dcd6cb" stroke="#a79f90"/>
{_BOARDS}
<rect x="378" y="96" width="66" height="48" fill="#fff" stroke="#555"/>
<g fill="#222"><rect x="384" y="102" width="12" height="12"/><rect x="408" y="102" width="12" height="12"/>
<rect x="396" y="114" width="12" height="12"/><rect x="420" y="114" width="12" height="12"/></g>
<rect x="384" y="132" width="54" height="6" fill="#999"/>
<path d="M240 18 L42 52 M240 18 L442 52" stroke="#0b6fb8" stroke-width="2" stroke-dasharray="6 5"/>
<rect x="222" y="4" width="36" height="18" rx="4" fill="#222"/><circle cx="240" cy="13" r="4" fill="#7fb7e6"/>
<g font-family="sans-serif" font-size="13" fill="#222">
<text x="266" y="18">phone over the middle, normal lens</text>
<text x="60" y="212">boards side by side, show face up</text>
<text x="372" y="164">sheet, flat</text>
<text x="20" y="254">1  Every end in the picture, and the whole sheet.</text>
<text x="20" y="272">2  Turn each board over about its long edge, same order, second photo.</text>
<text x="20" y="290">3  Left ends together, in the same order, third photo.</text>
</g></svg>"""


def show_guide() -> None:
    """The picture and what it cannot show."""
    st.image(_GUIDE, width="stretch")
    st.markdown(
        "- Even light, no flash, no sun on the wood, no glare.\n"
        "- Straight from above is best; a slant of up to 40 degrees works.\n"
        "- Boards all dry, or all wetted. A bench that differs from the wood helps.\n"
        "- Put *show*, *back* or *ends* into the file names, or say it under each photo."
    )
