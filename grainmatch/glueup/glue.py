"""How much glue, how long it waits and how long it holds: wood glue of the PVA kind.

All figures are general; the instructions on the bottle come first.
"""

from __future__ import annotations

MOST_SPREAD_G_M2 = 250.0
"""Grams on a square metre of glue line, the most of 35 to 50 lb per 1000 ft² (trade press, read in two
texts)."""
LEFT_IN_BOTTLE_FRAC = 0.10
"""What stays in bottle, brush and tray. Common practice, no source."""

CLAMPED_MIN = 60.0
"""Minutes in the clamps before the joint may be handled: 30 to 60, or 20 to 90 (two glue makers' guides)."""
NO_STRESS_H = 24.0
"""Hours before a joint is planed, sawn or bent (glue makers' guides, read in two texts)."""
SURFACE_AFTER_DAYS = 7
"""Wait before the final surfacing, so that the seams do not sink: 'generally 7 days' until the water of
the glue has left the wood (Wengert, read on two pages)."""
JOINT_WITHIN_H = 24.0
"""From jointing an edge to gluing it: the same day, 24 hours at most (gluing guides, read in one text)."""
LARGEST_GAP_MM = 0.15
"""Edges must meet within 0.002 to 0.006 in., 0.05 to 0.15 mm (Wengert, read in one text)."""
LEAST_TEMPERATURE_C = (4.0, 13.0)
"""Least working temperature of yellow and of white PVA glue (read in one text; it depends on the product)."""

SPREAD_S_PER_M, ALIGN_S_PER_SEAM, TIGHTEN_S_PER_CLAMP = 40.0, 30.0, 20.0
"""Own estimate of one person's pace, no source: a rehearsal without glue tells the true time."""
HELPER_SHARE = 0.7
"""How much a second pair of hands adds (own estimate)."""


def predict_glue_g(*, seam_length_mm: float, thickness_mm: float) -> float:
    """Grams to have at hand for that length of seam in all: spread thick, and what stays in the bottle."""
    return MOST_SPREAD_G_M2 * seam_length_mm * thickness_mm * 1e-6 * (1 + LEFT_IN_BOTTLE_FRAC)


def predict_work_min(*, seam_lengths_mm: tuple[float, ...], clamps_n: int, people_n: int = 1) -> float:
    """Minutes from the first glue to the last clamp."""
    seconds = (
        SPREAD_S_PER_M * sum(seam_lengths_mm) / 1000
        + ALIGN_S_PER_SEAM * len(seam_lengths_mm)
        + TIGHTEN_S_PER_CLAMP * clamps_n
    )
    return seconds / 60 / (1 + HELPER_SHARE * (people_n - 1))


def check_temperature(temperature_c: float) -> tuple[str, ...]:
    """A warning when the shop is too cold for the glue."""
    yellow, white = LEAST_TEMPERATURE_C
    if temperature_c < yellow:
        return (f"At {temperature_c:g} °C no wood glue of this kind sets: warm shop, boards and glue.",)
    if temperature_c < white:
        return (
            f"At {temperature_c:g} °C white wood glue does not set; see the least temperature on the bottle.",
        )
    return ()
