"""What the shop has: clamps, machines, glue and hands, for the plan of the glue-up. Kept for all jobs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, fields
from typing import Any

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from grainmatch.errors import LayoutError
from grainmatch.model import Tools
from grainmatch.store import Shop
from grainmatch.ui import desk
from grainmatch.ui.lengths import in_units, read_length

_SETTING = "tools"


def read_tools(shop: Shop) -> Tools:
    """The shop's tools; what was never said, or cannot be, falls back to a small shop's usual."""
    kept = shop.read_setting(_SETTING)
    if not isinstance(kept, Mapping):
        return Tools()
    names = {f.name for f in fields(Tools)}
    try:
        return Tools(**{name: value for name, value in kept.items() if name in names})
    except (TypeError, LayoutError):
        return Tools()


def show_tools() -> None:
    """The form. The papers printed after 'Keep' use what it says."""
    shop = desk.the_shop()
    now = read_tools(shop)
    with st.form("tools", border=False):
        tools = _show_fields(now)
        if st.form_submit_button("Keep for all jobs"):
            with desk.in_words():
                shop.write_setting(_SETTING, asdict(Tools(**{**tools, **_read_lengths(tools, now)})))
                st.toast("Kept. The plan on the papers follows it.")
    st.caption("The glue maker's figure counts for its open time. Lift only what you lift with ease.")


def _show_fields(now: Tools) -> dict[str, Any]:
    """The answers by field name; lengths still as typed."""
    clamps, machines, hands = st.columns(3)
    return {
        "clamps_n": clamps.number_input("Clamps that reach across", 0, 200, now.clamps_n),
        "clamp_reach_mm": _ask_length(clamps, "Widest opening of a clamp", now.clamp_reach_mm),
        "clamp_force_n": clamps.number_input(
            "Force of one clamp, N",
            100.0,
            50_000.0,
            now.clamp_force_n,
            500.0,
            "%.0f",
            help="Pulled tight by hand. Its maker's figure counts.",
        ),
        "clamp_head_mm": _ask_length(clamps, "Width of its jaw", now.clamp_head_mm),
        "caul_mm": _ask_length(clamps, "Batten between clamp and edge", now.caul_mm or None, "none"),
        "planer_width_mm": _ask_length(machines, "Planer takes, width", now.planer_width_mm, "no planer"),
        "jointer_width_mm": _ask_length(machines, "Jointer takes, width", now.jointer_width_mm, "no jointer"),
        "temperature_c": machines.number_input(
            "Warmth of the shop, °C", -10.0, 45.0, now.temperature_c, 1.0, "%.0f"
        ),
        "open_min": hands.number_input("The glue stays open, minutes", 1.0, 180.0, now.open_min, 1.0, "%.0f"),
        "glue_g": hands.number_input("Glue at hand, g", 0.0, 50_000.0, now.glue_g, 50.0, "%.0f"),
        "people_n": hands.number_input("People", 1, 12, now.people_n),
        "lift_kg": hands.number_input("One person lifts, kg", 1.0, 60.0, now.lift_kg, 1.0, "%.0f"),
        "most_seams_n": hands.number_input("Seams one person glues at once", 1, 20, now.most_seams_n),
    }


def _ask_length(place: DeltaGenerator, words: str, now_mm: float | None, empty: str = "") -> str:
    shown = desk.length(now_mm) if now_mm else ""
    return place.text_input(in_units(words), shown, placeholder=empty)


def _read_lengths(typed: Mapping[str, Any], now: Tools) -> dict[str, float | None]:
    """The lengths typed, None for no machine. Raises UsageError for one that is none."""
    found: dict[str, float | None] = {}
    for name, text in typed.items():
        if isinstance(text, str):
            found[name] = read_length(text, getattr(now, name)) if text.strip() else _EMPTY.get(name)
    return found


_USUAL = Tools()
_EMPTY = {"caul_mm": 0.0, "clamp_reach_mm": _USUAL.clamp_reach_mm, "clamp_head_mm": _USUAL.clamp_head_mm}
