"""The recipes: one function an arrow. Photo -> boards -> layouts -> files.

measure.py: photos_to_boards, measure_boards. arrange.py: arrange, arrange_faces, score_arrangement.
files.py: what the command line reads and writes. Everything here composes; the work is done below.
"""

from grainmatch.pipeline.measure import Failure, Measured, measure_boards, photos_to_boards

__all__ = ["Failure", "Measured", "measure_boards", "photos_to_boards"]
