"""The dry-fit check on the demo photos, taken as if the boards lay on the bench as planned or nearly so."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from grainmatch.cli import main
from grainmatch.model import Layout, Placement, Pose, Score
from grainmatch.photo.read import read_photo
from grainmatch.pipeline.check import DryFit, check_photo
from grainmatch.pipeline.gather import Measured
from grainmatch.report.record import write_boards, write_layout
from grainmatch.score.differences import describe_differences

SLIDES_MM = {"1": -14.9, "2": 10.8, "3": -14.6, "4": -0.8}
"""How far off the common middle each board lies in the show photo (truth.json, centre)."""


def plan(*places: str, round_the_bench: bool = False) -> Layout:
    """A layout from words such as `1A` or `3Bt` (turned), top edge first."""
    sign = -1.0 if round_the_bench else 1.0
    placements = tuple(
        Placement(p[0], Pose("A" if p[1] == "A" else "B", p.endswith("t"), sign * SLIDES_MM[p[0]]))
        for p in places
    )
    return Layout(placements, Score({}, 0.0))


AS_IT_LIES = plan("1A", "2A", "3A", "4A")


@pytest.fixture(scope="module")
def dry_fit(demo: Measured, dry_fit_photo: bytes) -> DryFit:
    return check_photo(read_photo(dry_fit_photo, name="bench.jpg"), AS_IT_LIES, demo.boards)


def test_a_top_laid_as_planned(dry_fit: DryFit) -> None:
    assert [s.board_id for s in dry_fit.seen] == ["1", "2", "3", "4"]
    assert all(s.sure and s.side == "A" and not s.turned for s in dry_fit.seen)
    assert dry_fit.differences == ()


@pytest.mark.parametrize(
    ("layout", "said"),
    [
        (plan("4At", "3At", "2At", "1At", round_the_bench=True), None),
        (plan("1A", "2At", "3A", "4A"), "Board 2 is turned end for end."),
        (plan("1A", "3A", "2A", "4A"), "Boards 3 and 2 have changed places."),
        (plan("1A", "2A", "3B", "4A"), "Board 3 shows its other face."),
    ],
)
def test_a_difference_is_named(layout: Layout, said: str | None, dry_fit: DryFit) -> None:
    assert describe_differences(dry_fit.seen, layout) == ([] if said is None else [said])


def test_command_line(
    demo: Measured, dry_fit_photo: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_boards(tmp_path / "boards", demo.boards[:4], pngs=demo.pngs)
    (tmp_path / "bench.jpg").write_bytes(dry_fit_photo)
    planned = replace(plan("1A", "2At", "3A", "4A"), made_from={"boards": "boards"})
    layout = write_layout(tmp_path / "layout.json", planned)
    code = main(["check", str(layout), str(tmp_path / "bench.jpg"), "--json"])
    document = json.loads(capsys.readouterr().out)
    assert code == 0
    assert not document["agrees"]
    assert [b["board_id"] for b in document["boards"]] == ["1", "2", "3", "4"]
