"""grainmatch: lay out solid-wood boards for a table top from photos of the bench.

The doors below load what they need on first use, so that `import grainmatch` stays light.
"""

from __future__ import annotations

import os
from importlib import import_module
from typing import TYPE_CHECKING, Any

# Our matrices are small and many: a BLAS that wakes its threads for each one loses more time than it
# wins, above all while photos are measured side by side. Heeded only when NumPy is not loaded yet.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

__version__ = "0.1.0"

if TYPE_CHECKING:
    from grainmatch.face.endgrain import read_end as read_end
    from grainmatch.face.reading import read_face as read_face
    from grainmatch.model import Wishes as Wishes
    from grainmatch.photo.pose import KnownBoard as KnownBoard
    from grainmatch.photo.pose import KnownPaper as KnownPaper
    from grainmatch.photo.read import read_photo as read_photo
    from grainmatch.pipeline.arrange import arrange as arrange
    from grainmatch.pipeline.arrange import arrange_faces as arrange_faces
    from grainmatch.pipeline.arrange import arrange_tops as arrange_tops
    from grainmatch.pipeline.measure import measure_boards as measure_boards
    from grainmatch.wood.cup import predict_cup_mm as predict_cup_mm
    from grainmatch.wood.moisture import equilibrium_moisture_pct as equilibrium_moisture_pct
    from grainmatch.wood.shrinkage import predict_width_change_mm as predict_width_change_mm

_DOORS = {
    "KnownBoard": "photo.pose",
    "KnownPaper": "photo.pose",
    "Wishes": "model",
    "arrange": "pipeline.arrange",
    "arrange_faces": "pipeline.arrange",
    "arrange_tops": "pipeline.arrange",
    "equilibrium_moisture_pct": "wood.moisture",
    "measure_boards": "pipeline.measure",
    "predict_cup_mm": "wood.cup",
    "predict_width_change_mm": "wood.shrinkage",
    "read_end": "face.endgrain",
    "read_face": "face.reading",
    "read_photo": "photo.read",
}

__all__ = [*_DOORS, "__version__"]


def __getattr__(name: str) -> Any:
    if name not in _DOORS:
        raise AttributeError(f"module 'grainmatch' has no attribute '{name}'")
    return getattr(import_module(f"grainmatch.{_DOORS[name]}"), name)
