"""The small table for a species, room and width."""

import json

import pytest

from grainmatch.errors import WoodError
from grainmatch.wood.movement import predict_movement_table
from grainmatch.wood.shrinkage import predict_width_change_mm


def test_table_holds_the_equations_figures() -> None:
    table = predict_movement_table("red oak", room="heated and humidified", width_mm=900, made_pct=8)
    assert [row.cut for row in table.rows] == ["plain-sawn"] * 2 + ["rift"] * 2 + ["quartersawn"] * 2
    for row in table.rows:
        assert row.low_mm < row.change_mm < row.high_mm
    winter = table.rows[0]
    assert winter.change_mm == pytest.approx(
        predict_width_change_mm(width_mm=900, species="red oak", from_pct=8, to_pct=winter.moisture_pct)
    )
    # Table 13-5, red oak: .00369 against .00158
    assert table.swing_mm("plain-sawn") / table.swing_mm("quartersawn") == pytest.approx(
        0.00369 / 0.00158, rel=1e-6
    )
    assert "average over a group" in " ".join(table.remarks)


@pytest.mark.parametrize("units", ["mm", "in"])
def test_table_as_text_and_as_data(units: str) -> None:
    table = predict_movement_table("cherry", room="damp coast", width_mm=850)
    text = "\n".join(table.lines(units))  # type: ignore[arg-type]
    assert "quartersawn" in text
    assert "Prunus serotina" in text
    assert max(map(len, table.lines(units))) < 120  # type: ignore[arg-type]
    document = json.loads(json.dumps(table.document()))
    assert len(document["rows"]) == 6
    assert document["sources"]["tangential_per_pct"].startswith("Wood Handbook")


def test_unknown_room_and_wood() -> None:
    with pytest.raises(WoodError):
        predict_movement_table("cherry", room="cellar")
    with pytest.raises(WoodError):
        predict_movement_table("chery")
