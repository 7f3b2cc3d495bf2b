"""The page in front of all others when the app serves the local network."""

from __future__ import annotations

import io

import segno
import streamlit as st

from grainmatch.ui.gate import current_gate

_COOKIE = "grainmatch_key"
_KEY = "gate_key"

# The browser keeps its key as a cookie of this address, so that a reload does not ask again.
_cookie_keeper = st.components.v2.component(
    "cookie_keeper",
    js="""export default function ({ data }) {
      document.cookie = `${data.name}=${data.value}; path=/; SameSite=Strict; max-age=${data.age_s}`;
    }""",
)


def may_enter() -> bool:
    """Whether this browser may see the app: it has a key, or came by a link with the passcode in it."""
    gate = current_gate()
    if gate is None:
        return True
    key = st.session_state.get(_KEY) or st.context.cookies.get(_COOKIE)
    if not gate.admits(key):
        code = st.query_params.pop("code", None)
        key = gate.enter(code) if isinstance(code, str) else None
    if key is None or not gate.admits(key):
        return False
    st.session_state[_KEY] = key
    _cookie_keeper(key="cookie_keeper", data={"name": _COOKIE, "value": key, "age_s": 12 * 3600})
    return True


def ask_passcode() -> None:
    """The page for a browser that may not enter yet."""
    gate = current_gate()
    if gate is None:
        return
    st.title("grainmatch", anchor=False)
    st.write("This app runs on a computer in your network. It lets in whoever has the passcode it shows.")
    with st.form("door"):
        typed = st.text_input("Passcode", max_chars=20, autocomplete="off")
        asked = st.form_submit_button("Enter", type="primary")
    if not asked:
        return
    key = gate.enter(typed)
    if key is not None:
        st.session_state[_KEY] = key
        st.rerun()
    if gate.shut_for_s > 0:
        st.error(
            f"**Too many wrong passcodes.** Wait {gate.shut_for_s:.0f} seconds; there is a "
            "new passcode on the computer's screen."
        )
    else:
        st.error("**That is not the passcode.** Look at the computer's screen; each passcode works once.")


def show_phone_link(job_id: str) -> None:
    """How to bring a phone in: a QR code and the passcode, or how to start the app so that it can."""
    gate = current_gate()
    if gate is None:
        st.write(
            "The app listens on this computer only. To send photos from a phone, stop it and start it with "
            "`grainmatch app --lan`; it then shows a code to point the phone at."
        )
        return
    picture = io.BytesIO()
    segno.make(f"{gate.link}&job={job_id}", error="m").save(picture, kind="png", scale=6, border=3)
    st.image(picture.getvalue(), width=240, caption="Point the phone's camera here")
    st.write(f"Or open **{gate.address}** and type **{gate.passcode}**. It lets in one browser.")
    st.caption("The connection is not encrypted: use it on a network you trust.")
    if st.button("Leave on this browser"):
        gate.leave(st.session_state.pop(_KEY, None))
        st.rerun()
