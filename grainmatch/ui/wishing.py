"""What the maker wants of a top: its size, how much each thing matters, and hard rules."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations
from typing import Any

import streamlit as st

from grainmatch.model import Board, Rule, Wishes
from grainmatch.store import Job
from grainmatch.ui import desk
from grainmatch.ui.lengths import in_units, read_size, size_words
from grainmatch.ui.measuring import start_proposing
from grainmatch.ui.proposing import PRESETS, SLIDER_WORDS, asked_size, keep_wishes, read_wishes

_PRESET = "wishes_preset"
_TONES = {"even": "light and dark mixed evenly", "drift": "from light to dark", "mirror": "mirrored"}
_SAPWOOD = {"hide": "out of sight", "balance": "balanced on both sides", "ignore": "as it comes"}
_ARCHES = {"ignore": "as they come", "same": "all one way", "alternate": "in turns"}
_RULES_SHOWN = ("include", "exclude", "never_side", "together")


def show_wishes(job: Job, boards: Sequence[Board]) -> None:
    """The size asked for and the wishes, with the button that searches again."""
    size = asked_size(job)
    with st.expander("Size and wishes"):
        typed = st.text_input(
            in_units("Size of the top, length x width"),
            size_words(size),
            help="Left empty, all boards are used at full length.",
        )
        st.pills("Wishes to start from", list(PRESETS), key=_PRESET, on_change=_use_preset, args=(job.id,))
        wishes = _show_sliders(job, read_wishes(job))
        wishes = _show_plans(wishes)
        wishes = replace(wishes, rules=_show_rules(wishes.rules, boards))
        if st.button("Propose again", type="primary"):
            with desk.in_words():
                wanted = read_size(typed, size)
                desk.the_shop().update_job(job.id, details={"top_mm": list(wanted) if wanted else None})
                keep_wishes(desk.the_shop(), job, wishes)
                start_proposing(job.id)
                st.rerun()


def _use_preset(job_id: str) -> None:
    preset = PRESETS.get(st.session_state.get(_PRESET) or "")
    if preset is not None:
        for name in SLIDER_WORDS:
            st.session_state[f"{name}_{job_id}"] = float(getattr(preset, name))


def _show_sliders(job: Job, now: Wishes) -> Wishes:
    columns = st.columns(3)
    values: dict[str, Any] = {}
    for k, (name, words) in enumerate(SLIDER_WORDS.items()):
        key = f"{name}_{job.id}"
        st.session_state.setdefault(key, float(getattr(now, name)))
        values[name] = columns[k % 3].slider(words, 0.0, 1.0, step=0.1, key=key)
    return replace(now, **values)


def _show_plans(now: Wishes) -> Wishes:
    left, middle, right = st.columns(3)
    plans: dict[str, Any] = {
        "tone_plan": left.selectbox(
            "Light and dark", list(_TONES), list(_TONES).index(now.tone_plan), format_func=lambda p: _TONES[p]
        ),
        "sapwood_plan": middle.selectbox(
            "Sapwood",
            list(_SAPWOOD),
            list(_SAPWOOD).index(now.sapwood_plan),
            format_func=lambda p: _SAPWOOD[p],
        ),
        "arch_plan": right.selectbox(
            "Arches point",
            list(_ARCHES),
            list(_ARCHES).index(now.arch_plan),
            format_func=lambda p: _ARCHES[p],
        ),
    }
    return replace(now, **plans)


def _show_rules(now: tuple[Rule, ...], boards: Sequence[Board]) -> tuple[Rule, ...]:
    """Rules that hold whatever the score says."""
    ids = [b.id for b in boards]
    faces = [(b.id, f.side) for b in boards for f in b.faces]
    kept = {kind: [r.boards[0] for r in now if r.kind == kind] for kind in ("include", "exclude")}
    barred = [(r.boards[0], r.side) for r in now if r.kind == "never_side"]
    left, middle, right = st.columns(3)
    wanted = left.multiselect("Must be in the top", ids, [i for i in kept["include"] if i in ids])
    unwanted = middle.multiselect("Leave out", ids, [i for i in kept["exclude"] if i in ids])
    hidden = right.multiselect(
        "Faces never to show", faces, [f for f in barred if f in faces], format_func=" ".join
    )
    pairs = [r.boards for r in now if r.kind == "together"]
    options = list(combinations(ids, 2))
    neighbours = st.multiselect(
        "Side by side", options, [p for p in pairs if p in options], format_func=" and ".join
    )
    return (
        *(Rule("include", (i,)) for i in wanted),
        *(Rule("exclude", (i,)) for i in unwanted),
        *(Rule("never_side", (i,), side=side) for i, side in hidden),
        *(Rule("together", pair) for pair in neighbours),
        *(r for r in now if r.kind not in _RULES_SHOWN),
    )
