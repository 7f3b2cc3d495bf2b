"""The outline of a board's face on the face plane, refined in the full photo."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from grainmatch.board.backdrop import Backdrop
from grainmatch.board.edge import EdgeKind, Strip, find_edge, read_strip, subdue_figure
from grainmatch.board.frame import Frame, lean_per_mm
from grainmatch.board.seamline import strip_reach_px
from grainmatch.board.shade import shadow_reach_mm
from grainmatch.geometry import Matrix, Points, expand_poly, plane_to_pixels
from grainmatch.model import Bench, Mask
from grainmatch.ranks import median

EDGES = ("upper", "lower", "left", "right")
TOUCHES = "{} edge touches a neighbour"
STATIONS = 64
END_STATIONS = 32
EDGE_SIGMA_PX = 0.2
"""What the step model itself may be off by, 1-sigma (found on drawn scenes)."""
BLUR_DOUBT = 0.15
"""By what share of the blur what lies beside a long edge may draw it, 1-sigma (own estimate, from blurred
photos with truth)."""
SEAM_SIGMA_MM, UNSEEN_SIGMA_MM = 0.3, 2.0
"""What a seam between touching boards may be off by that is seen as a dip of light, and an edge of any kind
that is not seen: a growth ring beside it may have been taken for it at first (nine tenths of drawn boards'
seams lie within twice that)."""
WIDEST_SEAM_MM = 1.0
"""Boards no nearer to each other do not touch: a hairline that takes more light is a narrow gap, or what
shows of an upright side (common practice, no source; edges sawn or planed for glue close to some tenths)."""
GAP_MM = 30.0
"""How far all that lies in a gap, taken for wood, may push a rough edge out."""
NEAR_MM = (1.5, 1.5, 3.0, 3.0)
"""How far upper, lower, left and right edges may lie from where they were first found."""
SETTLED_PX = 0.5
SETTLED_MM = 1e-4
"""Sigma of an edge below which it is not looked for again, and change of it below which a fit has arrived."""
LEAST_CURVED = 0.4
"""What share of the stations of either outer quarter must be told before a curve is drawn through them (own
choice)."""
FARTHEST_MM = 1e5
FACE_MM = 8.0
"""How far off edges of a board may meet, and how wide a band of sure face is read to know its look."""


@dataclass(frozen=True, eq=False)
class BoardOutline:
    """A board face's outline on the face plane, bench mm.

    upper_mm and lower_mm (n, 2) run from the left end to the right one; the ends join their first
    and last points. outline_px is the closed polygon in the photo, clockwise from the upper left.
    sigma_mm: 1-sigma of where the upper, lower, left and right edges lie, scale aside.
    """

    upper_mm: Points
    lower_mm: Points
    outline_px: Points
    sigma_mm: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    confidence: float = 1.0
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Rough:
    """A board as first seen, in a frame along it: v = poly(u) for long edges, u = poly(v) for ends.

    Polynomials are highest power first. reach_mm is how far the true edges may lie from these.
    touching: whether another board lies against the upper and the lower edge; gap: whether all of a gap to
    another board may lie between these and the true ones.
    hidden_mm: polygons on the face plane, of sheets, that no edge is read from.
    """

    frame: Frame
    upper: NDArray[np.float64]
    lower: NDArray[np.float64]
    left: NDArray[np.float64]
    right: NDArray[np.float64]
    reach_mm: tuple[float, float, float, float] = (4.0, 4.0, 8.0, 8.0)
    touching: tuple[bool, bool] = (False, False)
    gap: tuple[bool, bool] = (False, False)
    hidden_mm: tuple[Points, ...] = ()


def refine_outline(
    bench: Bench, backdrop: Backdrop, rough: Rough, only: Collection[str] = EDGES
) -> BoardOutline:
    """Edges at full resolution: long edges as gentle curves, ends as straight lines, and their corners.

    only: which edges are looked for; the others stay as they are roughly known.
    """
    edges = {"upper": rough.upper, "lower": rough.lower, "left": rough.left, "right": rough.right}
    sigmas: dict[str, float] = dict.fromkeys(edges, UNSEEN_SIGMA_MM)
    kinds: dict[str, EdgeKind] = dict.fromkeys(edges, "unseen")
    touching = dict(zip(edges, rough.touching, strict=False))

    def refine(name: str, reach_mm: float, *, first: bool) -> None:
        edges[name], sigmas[name], kinds[name] = _refine_edge(
            bench, backdrop, rough, edges, name, reach_mm, first
        )

    reach, near = (dict(zip(EDGES, each, strict=True)) for each in (rough.reach_mm, NEAR_MM))
    for name in only:
        refine(name, reach[name], first=True)
    for name in only:
        # A plain step with no neighbour lies where it was found; what else an edge may be is judged anew.
        plain = kinds[name] == "step" and not touching.get(name, False)
        if not plain or sigmas[name] * bench.px_per_mm > SETTLED_PX:
            refine(name, near[name], first=False)
    notes = tuple(TOUCHES.format(name) for name in edges if kinds[name] == "seam")
    return _close(bench, rough.frame, edges, sigmas, notes)


def _refine_edge(
    bench: Bench,
    backdrop: Backdrop,
    rough: Rough,
    edges: dict[str, NDArray[np.float64]],
    name: str,
    reach_mm: float,
    first: bool,
) -> tuple[NDArray[np.float64], float, EdgeKind]:
    frame = rough.frame
    along = name in ("upper", "lower")
    touching = along and rough.touching[int(name == "lower")]
    sign = -1.0 if name in ("upper", "left") else 1.0
    stations, order = (STATIONS, 2) if along else (END_STATIONS, 1)
    lo, hi = _span(edges, along)
    margin = min(6.0, 0.08 * (hi - lo))
    cuts = np.linspace(lo + margin, hi - margin, stations + 1)
    sub = int(np.clip((cuts[1] - cuts[0]) * bench.px_per_mm / 1.5, 1, 16))
    s = (cuts[:-1, None] + (np.arange(sub) + 0.5) / sub * (cuts[1] - cuts[0])).reshape(stations, sub)
    across = np.polyval(edges[name], s)
    uv = np.stack([s, across] if along else [across, s], axis=-1)
    places = frame.leave(uv)
    outward = frame.axes[1 if along else 0] * sign
    scale = bench.px_per_mm
    lean = lean_per_mm(bench, places.mean(axis=1)) @ outward
    slant = float(median(np.abs(lean)))
    side_px = np.maximum(lean * bench.face_height_mm, 0.0) * scale
    reach_px = reach_mm * scale
    inward = reach_px
    if first and not touching:  # the rough edge may be that of the side's foot, or of a shadow
        gap = along and rough.gap[int(name == "lower")]
        shadow_mm = GAP_MM if gap else shadow_reach_mm(bench.face_height_mm)
        inward += float(side_px.max()) + shadow_mm * scale
    inward = min(inward, max((0.7 * _least_width(edges, along) - FACE_MM) * scale, reach_px))
    outside = reach_px + float(side_px.max()) + 5.0 * scale
    inside = inward + FACE_MM * scale
    if touching:
        inside, outside = max(inside, strip_reach_px()), max(outside, strip_reach_px())
    light, t, face = read_strip(bench, places, outward, inside_px=inside, outside_px=outside)
    centre_px = plane_to_pixels(bench.camera, places.reshape(-1, 2).mean(axis=0)[None], bench.face_height_mm)[
        0
    ]
    bare = backdrop.bench_light(centre_px) / median(face, axis=0)
    plain = subdue_figure(light, t, -inward)
    strip = Strip(light, t, side_px, bare, _uncovered(places, outward, rough.hidden_mm), plain, slant)
    found = find_edge(
        strip, least_t_px=-inward, most_t_px=reach_px, touching=touching, curved=along, fading=not first
    )
    middle = s.mean(axis=1)
    poly, sigma = _fit_poly(
        middle,
        np.polyval(edges[name], middle) + sign * found.offset_px / scale,
        found.weight,
        order,
        edges[name],
    )
    sigma = float(np.hypot(sigma, found.doubt_px / scale))
    if along:  # beside ends lies nothing for long that could draw them
        sigma = float(np.hypot(sigma, BLUR_DOUBT * found.blur_px / scale))
    if found.kind == "unseen":
        sigma = float(np.hypot(sigma, UNSEEN_SIGMA_MM))
    elif touching:  # the seam line itself may be a line of the figure beside the seam
        sigma = float(np.hypot(sigma, SEAM_SIGMA_MM))
    if found.kind == "seam" and found.gap_px > WIDEST_SEAM_MM * scale:
        return poly, sigma, "band"
    return poly, sigma, found.kind


def _uncovered(places: Points, outward: Points, hidden_mm: tuple[Points, ...]) -> Mask:
    """Which stations (of places (stations, sub, 2)) lie clear of every sheet, a little to both sides."""
    clear = np.ones(len(places), dtype=bool)
    across = places.mean(axis=1)[:, None] + np.array([-4.0, 0.0, 4.0])[:, None] * outward
    for polygon in hidden_mm:
        shape = np.asarray(polygon, dtype=np.float32).reshape(-1, 1, 2)
        low, high = shape.min(axis=(0, 1)) - 2.0, shape.max(axis=(0, 1)) + 2.0
        near = ((across >= low) & (across <= high)).all(axis=2).any(axis=1)
        for i in np.flatnonzero(near):
            away = [cv2.pointPolygonTest(shape, (float(x), float(y)), True) for x, y in across[i]]
            clear[i] &= max(away) < -2.0
    return clear if clear.mean() > 0.3 else np.ones_like(clear)


def _least_width(edges: dict[str, NDArray[np.float64]], along: bool) -> float:
    """Distance between an edge and the opposite one, at their middle."""
    lo, hi = _span(edges, not along)
    return hi - lo


def _span(edges: dict[str, NDArray[np.float64]], along: bool) -> tuple[float, float]:
    """The range of u (along) or v between the opposite edges, the shorter side of them."""
    across, ends = ("upper", "lower"), ("left", "right")
    first, last = across if along else ends
    at = 0.5 * (_value(edges[first], 0.0) + _value(edges[last], 0.0))
    start, stop = ends if along else across
    return _value(edges[start], at), _value(edges[stop], at)


def _value(poly: NDArray[np.float64], x: float) -> float:
    """`numpy.polyval` at one place, in a tenth of its time."""
    y = 0.0
    for c in poly.tolist():
        y = y * x + c
    return y


def _fit_poly(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    weight: NDArray[np.float64],
    order: int,
    fallback: NDArray[np.float64],
) -> tuple[NDArray[np.float64], float]:
    """Robust polynomial (Tukey weights) and the 1-sigma of its less certain end."""
    good = np.isfinite(y)
    lo, hi = x[0], x[-1]
    if good.sum() < max(6, 0.3 * len(x)):
        return fallback, 1.0
    x, y = x[good], y[good]
    told = np.sqrt(np.minimum(weight[good] / median(weight[good]), 2.0))
    centre, half = x.mean(), max(np.ptp(x) / 2, 1e-6)
    a = np.vander((x - centre) / half, order + 1)
    w = np.ones(len(x))
    start = median(y - np.polyval(fallback, x))
    rest = y - np.polyval(fallback, x) - start
    w = (np.abs(rest) < max(4 * median(np.abs(rest)), 0.3)).astype(float)
    c, cover = _tukey(a, y, w, told)
    if order == 2:
        # A curve has to earn its place, and be seen at both ends: else they swing.
        at_ends = good[: len(good) // 4].mean(), good[-(len(good) // 4) :].mean()
        if abs(c[0]) < max(0.15, 5 * np.sqrt(cover[0, 0])) or min(at_ends) < LEAST_CURVED:
            straight = _tukey(a[:, 1:], y, w, told)
            c = np.concatenate([[0.0], straight[0]])
            cover = np.pad(straight[1], ((1, 0), (1, 0)))
    ends = np.vander([(lo - centre) / half, (hi - centre) / half], order + 1)
    return expand_poly(c, centre, half), float(np.sqrt(np.einsum("ei,ij,ej->e", ends, cover, ends).max()))


def _tukey(
    a: Matrix, y: NDArray[np.float64], w: NDArray[np.float64], told: NDArray[np.float64]
) -> tuple[NDArray[np.float64], Matrix]:
    """Least squares with Tukey's biweight: (coefficients, their covariance).

    Neighbouring stations share the wood's figure, so three count as one.
    """
    spread = 1.0
    c: NDArray[np.float64] = np.zeros(a.shape[1])
    ridge = 1e-12 * np.eye(a.shape[1])
    for _ in range(14):
        weighted = a * ((w * told) ** 2)[:, None]
        before = c
        c = np.asarray(np.linalg.solve(weighted.T @ a + ridge, weighted.T @ y), dtype=np.float64)
        rest = y - a @ c
        away = np.sort(np.abs(rest))  # numpy's median takes four times as long over so few
        spread = max(1.4826 * float(away[(len(away) - 1) // 2] + away[len(away) // 2]) / 2, 0.01)
        w = np.maximum(1 - (rest / (4.5 * spread)) ** 2, 0)
        if np.abs(c - before).max() < SETTLED_MM:
            break
    n_eff = max(float(w.sum()), 3.0)
    informed = (a * ((w * told) ** 2)[:, None]).T @ a / np.average(told**2, weights=w + 1e-9)
    cover = 3 * spread**2 * np.linalg.inv(informed + 1e-9 * n_eff * np.eye(a.shape[1]))
    return c, np.asarray(cover)


def _close(
    bench: Bench,
    frame: Frame,
    edges: dict[str, NDArray[np.float64]],
    sigmas: dict[str, float],
    notes: tuple[str, ...],
) -> BoardOutline:
    sides = {}
    for long_edge in ("upper", "lower"):
        ends = [_meet(edges[long_edge], edges[end]) for end in ("left", "right")]
        u = np.linspace(ends[0], ends[1], 33)
        v = np.polyval(edges[long_edge], u)
        # Edges of something that is no board may never meet; they then outline nothing.
        sides[long_edge] = frame.leave(np.nan_to_num(np.column_stack([u, v])))
    outline_px = polygon_px(bench, sides["upper"], sides["lower"])
    floor = EDGE_SIGMA_PX / bench.px_per_mm
    upper, lower, left, right = (
        float(np.hypot(sigmas[k], floor)) for k in ("upper", "lower", "left", "right")
    )
    sigma_mm = (upper, lower, left, right)
    return BoardOutline(sides["upper"], sides["lower"], outline_px, sigma_mm, 1.0, notes)


def polygon_px(bench: Bench, upper_mm: Points, lower_mm: Points) -> Points:
    """The outline in the photo with the fewest points that keep it within 0.3 mm on the face plane.

    Straight edges keep their two corners only, which is also what a hand can move.
    """
    ring = np.vstack([_fewest(upper_mm, 0.3), _fewest(lower_mm, 0.3)[::-1]])
    return plane_to_pixels(bench.camera, ring, bench.face_height_mm)


def _fewest(line: Points, tolerance: float) -> Points:
    """Douglas and Peucker's line simplification (Cartographica 10(2), 1973)."""
    a, b = line[0], line[-1]
    normal = np.array([a[1] - b[1], b[0] - a[0]]) / max(float(np.hypot(*(b - a))), 1e-9)
    away = np.abs((line - a) @ normal)
    far = int(away.argmax())
    if away[far] <= tolerance or len(line) < 3:
        return np.asarray(line[[0, -1]])
    return np.vstack([_fewest(line[: far + 1], tolerance)[:-1], _fewest(line[far:], tolerance)])


def _meet(long_edge: NDArray[np.float64], end: NDArray[np.float64]) -> float:
    """u where v = long_edge(u) and u = end(v) cross, NaN where they do not."""
    u = _value(end, 0.0)
    for _ in range(14):
        u = _value(end, _value(long_edge, u))
    return u if abs(u) < FARTHEST_MM else float("nan")
