"""The nouns. Frozen records that flow through the program; no numerics, no input or output.

What `glueup` plans from them has its own nouns in `plans`.

Frames and conventions, used everywhere:
- A face image has x along the board (left to right), y across it (downward); pixel (0, 0) has its
  centre at 0.5 px; millimetres are pixels divided by px_per_mm, origin at the image's corner.
- The show face is A. `flip` turns a board over about its long axis, so the left end stays left and
  the upper edge becomes the lower one; face B is recorded as seen after that flip. `turn` rotates
  the board end for end on the bench.
- Angles run from +x towards +y, in (-pi/2, pi/2] for undirected ones. Lab is D65. Moisture is in
  per cent of dry mass. Records holding arrays compare by identity.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from grainmatch.errors import BoardError, LayoutError
from grainmatch.geometry import Camera, Points

Rgb = NDArray[np.uint8]
Mask = NDArray[np.bool_]
Side = Literal["A", "B"]
Progress = Callable[[int, int, str], None]
"""progress(done, total, text): called now and then by anything that takes over a second."""


# --- photo and bench -------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Photo:
    """One picture, upright. rgb (H, W, 3) sRGB; focal_px from EXIF, None when unknown; colour_step: in what
    steps, of 255, its file keeps the colour differences of even areas."""

    name: str
    rgb: Rgb
    focal_px: float | None = None
    sha256: str = ""
    warnings: tuple[str, ...] = ()
    colour_step: float = 0.0


@dataclass(frozen=True, eq=False)
class Sheet:
    """One reference sheet seen in a photo.

    corners_px (n, 2) with their places on the sheet corners_mm (n, 2), measured from the paper's
    top-left corner; paper_mm is (width, height). A plain sheet, or another thing of known size, has
    the number -1. sigma_mm is how true its own places are, 1-sigma. again: another sheet of this number
    lies in the photo, which is not used.
    """

    number: int
    paper_mm: tuple[float, float]
    corners_px: Points
    corners_mm: Points
    sigma_mm: float = 0.0
    again: bool = False


@dataclass(frozen=True, eq=False)
class TypedBoard:
    """A board that gives the scale: its typed length and width, None where not typed, and at_px (2,), a place
    on it in the photo."""

    length_mm: float | None
    width_mm: float | None
    at_px: Points


@dataclass(frozen=True, eq=False)
class Light:
    """What to multiply linear light by to make the photo even and neutral.

    gain (h, w, 3) is a coarse field over the whole photo, read with linear interpolation. shine (h, w), when
    boards mirror the lamp: what is to be taken off their light afterwards, as a share of a perfect white's.
    """

    gain: NDArray[np.float32]
    shine: NDArray[np.float32] | None = None


@dataclass(frozen=True, eq=False)
class Bench:
    """A photo with known scale: the camera over the bench and the plane of the boards' faces.

    face_height_mm is how far that plane lies above the bench top. px_per_mm is the scale at the
    middle of the photo on it, scale_sigma_frac its relative 1-sigma. scale_from says in words
    what gave the scale. sheet_height_mm is how far the sheets' plane lies above the bench top. spread
    holds pairs of cameras one sigma either way along each independent direction of what is not known
    of view and thickness, for carrying it to any size; empty when scale_sigma_frac is all there is.
    typed: the board that gives the scale when no sheet does.
    """

    photo: Photo
    camera: Camera
    face_height_mm: float
    light: Light
    px_per_mm: float
    scale_sigma_frac: float
    scale_from: str
    sheets: tuple[Sheet, ...] = ()
    sheet_outlines_px: tuple[Points, ...] = ()
    sheet_height_mm: float = 0.0
    warnings: tuple[str, ...] = ()
    spread: tuple[tuple[Camera, Camera], ...] = ()
    typed: TypedBoard | None = None


# --- board and face --------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Face:
    """One face of a board, rectified and lit evenly.

    rgb (h, w, 3) with length along x; inside (h, w) is True on wood. upper_edge_mm and
    lower_edge_mm are polylines (n, 2) from the left end to the right one in face millimetres.
    outline_px (n, 2) is the outline in the photo it was read from.
    """

    side: Side
    rgb: Rgb
    inside: Mask
    px_per_mm: float
    upper_edge_mm: Points
    lower_edge_mm: Points
    photo: str = ""
    outline_px: Points | None = None

    def __post_init__(self) -> None:
        if self.rgb.shape[:2] != self.inside.shape:
            raise BoardError("A face image and its mask differ in size.", "Measure the photo again.")
        if not (math.isfinite(self.px_per_mm) and self.px_per_mm > 0):
            raise BoardError("A face has no scale.", "Give px_per_mm above zero.")


@dataclass(frozen=True)
class EndGrain:
    """Rings read from a board's left end, seen from outside with the show face up.

    pith_across_mm: pith from the board's centre line, towards the lower edge (the right-hand side
    of the picture). pith_depth_mm: pith below the show face, negative above it; both may lie
    outside the board. bark_side is the face farther from the pith, None for 'cannot tell'.
    confidence 0..1; residual_mm is the rms misfit of the rings to circles about the pith.
    """

    bark_side: Side | None
    pith_across_mm: float
    pith_depth_mm: float
    pith_sigma_mm: float
    ring_mm: float
    residual_mm: float
    confidence: float
    reason: str = ""


@dataclass(frozen=True, eq=False)
class Board:
    """A measured board. Faces: A first, then B when its back was photographed.

    start_width_mm is at the left end, end_width_mm at the right one, in the pose of face A.
    crook_mm is the largest departure of the long edges from straight, signed towards +y.
    Each sigma is 1-sigma. bark_side may be set by the user when no end was read.
    """

    id: str
    length_mm: float
    start_width_mm: float
    end_width_mm: float
    thickness_mm: float
    crook_mm: float
    faces: tuple[Face, ...]
    sigma_length_mm: float = 0.0
    sigma_width_mm: float = 0.0
    species: str = ""
    moisture_pct: float | None = None
    end_grain: EndGrain | None = None
    bark_side: Side | None = None
    pair_confidence: float = 1.0

    def __post_init__(self) -> None:
        sizes = (self.length_mm, self.start_width_mm, self.end_width_mm, self.thickness_mm)
        if not all(math.isfinite(s) and s > 0 for s in sizes):
            raise BoardError(f"Board {self.id} has an impossible size.", "Measure it again or type its size.")
        if not self.faces or len(self.faces) > 2:
            raise BoardError(f"Board {self.id} needs one or two faces.", "Add a photo of its show face.")

    @property
    def width_mm(self) -> float:
        """The width it can be ripped parallel to: the narrower end."""
        return min(self.start_width_mm, self.end_width_mm)

    def face(self, side: Side) -> Face | None:
        """The face on that side, None when it was not photographed."""
        return next((f for f in self.faces if f.side == side), None)


# --- what is read from a face ----------------------------------------------------------------

MarkKind = Literal["knot", "hole", "crack", "bark edge", "pitch", "stain", "pencil", "keep out"]
CutClass = Literal["plain", "rift", "quarter", "unclear"]


@dataclass(frozen=True, eq=False)
class Mark:
    """Something on a face that is not clear wood. outline_mm (n, 2) in face millimetres."""

    kind: MarkKind
    outline_mm: Points
    confidence: float = 1.0
    sound: bool = True

    @property
    def box_mm(self) -> tuple[float, float, float, float]:
        """Bounding box: left, top, right, bottom."""
        low, high = self.outline_mm.min(axis=0), self.outline_mm.max(axis=0)
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])


@dataclass(frozen=True, eq=False)
class Cathedral:
    """The arched figure of a plain-sawn face.

    axis_mm (n, 2) is the line through the arches' tips. arches_point is +1 when the tips point to
    the right, -1 to the left, 0 when that cannot be told. confidence is 0..1. pith_distance_mm is how far
    from the face the pith lies (above or below), NaN when the lines do not tell; pith_sigma_mm its 1-sigma.
    """

    axis_mm: Points
    arches_point: Literal[-1, 0, 1]
    confidence: float
    pith_distance_mm: float = math.nan
    pith_sigma_mm: float = math.nan


@dataclass(frozen=True, eq=False)
class Sapwood:
    """Sapwood along the long edges of a face.

    upper_mm and lower_mm (columns,): how far it reaches in from each long edge at each cell column, 0 where
    there is none. upper_frac and lower_frac: share of that edge's length that is sapwood. contrast_de is
    its CIE76 difference to the heartwood.
    """

    upper_mm: NDArray[np.float64]
    lower_mm: NDArray[np.float64]
    upper_frac: float
    lower_frac: float
    contrast_de: float
    confidence: float


@dataclass(frozen=True, eq=False)
class Features:
    """What a maker's eye reads from one face, on a grid of square cells (rows, columns).

    angle_rad: direction of the drawn figure. coherence 0..1: how sure. lab: CIELAB of clear wood,
    NaN where a cell holds none. ring_mm: line spacing across the figure, NaN where no lines are
    visible. sapwood: share of the cell that is sapwood, 0..1. cut: one class a cell.
    upper_angle_rad and lower_angle_rad (w,): figure direction one cell in from each long edge, for every
    pixel column. fibre_angle_rad: direction of the fine streaks, where it differs from the figure.
    drift_lab (columns, 3): the slow change of tone along the board, about mean_lab. streak_de: CIE76
    difference of each cell from the slow tone of its place. glare and fleck: share of each cell lost to
    glare, or covered by ray fleck.
    """

    px_per_mm: float
    cell_mm: float
    angle_rad: NDArray[np.float64]
    coherence: NDArray[np.float64]
    lab: NDArray[np.float64]
    ring_mm: NDArray[np.float64]
    sapwood: NDArray[np.float64]
    mean_lab: NDArray[np.float64]
    mean_angle_rad: float
    marks: tuple[Mark, ...] = ()
    cut: CutClass = "unclear"
    cut_cells: NDArray[np.str_] | None = None
    cathedral: Cathedral | None = None
    upper_angle_rad: NDArray[np.float64] | None = None
    lower_angle_rad: NDArray[np.float64] | None = None
    bark_side_up: bool | None = None
    bark_confidence: float = 0.0
    fibre_angle_rad: NDArray[np.float64] | None = None
    sapwood_edges: Sapwood | None = None
    drift_lab: NDArray[np.float64] | None = None
    streak_de: NDArray[np.float64] | None = None
    glare: NDArray[np.float64] | None = None
    fleck: NDArray[np.float64] | None = None


# --- layouts ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Pose:
    """How a board lies: which face is up, whether it is turned end for end, and its slide along
    the top (to the right when positive) from centred on the top's middle."""

    side_up: Side = "A"
    turned: bool = False
    slide_mm: float = 0.0


@dataclass(frozen=True)
class Placement:
    """One board in a layout, top to bottom. rip_mm is (taken off the upper edge, off the lower edge) as
    it lies."""

    board_id: str
    pose: Pose = Pose()
    rip_mm: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class Score:
    """Lower is better. total is the weighted sum of terms; seams holds one cost a glue line, seam_reasons the
    term that has the largest share in each, where that is known."""

    terms: Mapping[str, float]
    total: float
    seams: tuple[float, ...] = ()
    seam_reasons: tuple[str, ...] = ()


@dataclass(frozen=True)
class Layout:
    """An arrangement of boards, top edge to bottom edge.

    proven_optimal is True only when the search proved that no arrangement scores lower; bound is
    a proven lower bound on the total (equal to it when optimal, None when none is known).
    """

    placements: tuple[Placement, ...]
    score: Score
    proven_optimal: bool = False
    bound: float | None = None
    top_mm: tuple[float, float] | None = None
    made_from: Mapping[str, str] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        ids = [p.board_id for p in self.placements]
        if len(set(ids)) != len(ids):
            raise LayoutError("A board lies twice in the layout.", "Use each board once.")


RuleKind = Literal["place", "together", "never_side", "end_left", "include", "exclude"]


@dataclass(frozen=True)
class Rule:
    """A hard rule. place: boards[0] at index `place` from the top (0-based); together: the two boards are
    neighbours; never_side: never `side` up; end_left: `turned` fixed; include / exclude."""

    kind: RuleKind
    boards: tuple[str, ...]
    place: int = 0
    side: Side = "A"
    turned: bool = False


@dataclass(frozen=True)
class Wishes:
    """What the maker cares about, each 0 (ignore) to 1 (matters most), and hard rules."""

    tone_match: float = 0.6
    line_flow: float = 0.6
    even_tone: float = 0.4
    tone_plan: Literal["even", "drift", "mirror"] = "even"
    hide_sapwood: float = 0.5
    sapwood_plan: Literal["hide", "balance", "ignore"] = "hide"
    knots: float = 0.3
    arches: float = 0.2
    arch_plan: Literal["same", "alternate", "ignore"] = "ignore"
    stay_flat: float = 0.4
    planing: float = 0.2
    cuts: float = 0.1
    waste: float = 0.2
    rules: tuple[Rule, ...] = ()

    def __post_init__(self) -> None:
        sliders = (
            self.tone_match, self.line_flow, self.even_tone, self.hide_sapwood, self.knots, self.arches,
            self.stay_flat, self.planing, self.cuts, self.waste,
        )  # fmt: skip
        if not all(math.isfinite(v) and 0 <= v <= 1 for v in sliders):
            raise LayoutError("A wish lies outside 0 to 1.", "Give each wish a value from 0 to 1.")


@dataclass(frozen=True, eq=False)
class Problem:
    """Where pixels end: every board in every pose, every seam priced. The search sees numbers only.

    N boards, P poses (the same list for all boards; a pose a board cannot take costs inf).
    pose_cost (N, P) and seam_cost (N, P, N, P), the first above the second, are the weighted sums of
    pose_terms and seam_terms, which keep the shares by name. width_mm (N,): usable widths.

    Whole-top terms, all weighted:
    - place_value (N, P) is compared with a plan along the top (see `score.top.plan_of_place`): |value -
      plan| times place_weight a place. place_plans are the plans allowed, the best of them counts.
    - balance_load (N,): walking down the top, the squared sum of (load - mean) so far is charged at
      every seam, so that clumps cost. balance_means are the means tried, the best of them counts.
    - waste_per_mm prices width beyond target_width_mm.

    Exactly n_pick boards go into the top; None: as many as the target width needs, no board being
    spare. seam_look (N, P, N, P) is the same seam without wishes: 0 as if never cut, 1 like two boards
    laid together by chance; look_terms keep its shares by name. turn_of[p] is the index of pose p turned
    end for end.
    """

    board_ids: tuple[str, ...]
    poses: tuple[Pose, ...]
    width_mm: NDArray[np.float64]
    pose_cost: NDArray[np.float64]
    seam_cost: NDArray[np.float64]
    n_pick: int | None = None
    target_width_mm: float | None = None
    pose_terms: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    seam_terms: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    place_value: NDArray[np.float64] | None = None
    place_weight: float = 1.0
    place_plans: tuple[str, ...] = ()
    balance_load: NDArray[np.float64] | None = None
    balance_means: tuple[float, ...] = ()
    waste_per_mm: float = 0.0
    seam_look: NDArray[np.float64] | None = None
    look_terms: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    turn_of: tuple[int, ...] = ()
    rules: tuple[Rule, ...] = ()
    top_mm: tuple[float, float] | None = None


# --- what the maker has at hand ----------------------------------------------------------------


@dataclass(frozen=True)
class Tools:
    """What the maker has at hand. Defaults are a small shop's; every one can be set.

    open_min: from the first glue spread until the clamps must be tight (the glue maker's figure counts).
    clamp_reach_mm: widest opening. clamp_force_n: one clamp pulled tight by hand. clamp_head_mm: width of
    its jaw along the seam. caul_mm: thickness of the batten between clamp and edge, 0 for none. None for a
    machine means there is none. lift_kg: what one person lifts. most_seams_n: seams one person glues at once.
    """

    open_min: float = 10.0
    clamps_n: int = 10
    clamp_reach_mm: float = 1200.0
    clamp_force_n: float = 5000.0
    clamp_head_mm: float = 25.0
    caul_mm: float = 0.0
    planer_width_mm: float | None = None
    jointer_width_mm: float | None = None
    lift_kg: float = 23.0
    people_n: int = 1
    most_seams_n: int = 2
    glue_g: float = 500.0
    temperature_c: float = 18.0

    def __post_init__(self) -> None:
        positive = (
            self.open_min, self.clamp_reach_mm, self.clamp_force_n, self.clamp_head_mm, self.lift_kg,
            *(w for w in (self.planer_width_mm, self.jointer_width_mm) if w is not None),
        )  # fmt: skip
        usable = all(math.isfinite(v) and v > 0 for v in positive) and math.isfinite(self.temperature_c)
        whole = self.clamps_n >= 0 and self.people_n >= 1 and self.most_seams_n >= 1
        if not (usable and whole and 0 <= self.caul_mm < math.inf and 0 <= self.glue_g < math.inf):
            raise LayoutError("A tool has an impossible figure.", "Give sizes, times and forces above zero.")


FixedLine = Literal["middle", "upper edge", "lower edge"]
Trap = Literal["breadboard end", "frame", "fast batten", "apron screwed tight"]


@dataclass(frozen=True)
class Base:
    """What a top is fastened to. places_mm: fasteners from the top's upper edge, none for the usual places.
    traps: constructions planned that stop wood from moving."""

    fixed_line: FixedLine = "middle"
    screw_mm: float = 5.0
    places_mm: tuple[float, ...] = ()
    traps: tuple[Trap, ...] = ()

    def __post_init__(self) -> None:
        known = self.fixed_line in get_args(FixedLine) and set(self.traps) <= set(get_args(Trap))
        if not known or not 0 < self.screw_mm <= 50 or not all(0 <= p < math.inf for p in self.places_mm):
            raise LayoutError(
                "The base has an impossible figure.", "Give a screw of 50 mm at most, and places on the top."
            )
