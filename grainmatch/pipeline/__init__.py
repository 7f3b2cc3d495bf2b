"""The recipes: one function an arrow. Photo -> boards -> layouts -> files.

measure: a photo to boards; pile: many photos, on all cores (workers);
gather: which photo shows what; drawn: outlines corrected by hand;
bare: cropped faces of known scale;
arrange: boards to layouts; check: a dry fit; files: what the command line reads and writes.
Everything here composes; the work is done on the floors below.
"""

from grainmatch.pipeline.arrange import arrange, arrange_faces, score_arrangement
from grainmatch.pipeline.bare import faces_to_boards
from grainmatch.pipeline.cache import ReadingCache, usual_cache
from grainmatch.pipeline.check import DryFit, check_dry_fit, check_photo
from grainmatch.pipeline.files import (
    SavedLayout,
    file_to_papers,
    folder_to_layouts,
    layout_to_files,
    read_corrections,
    save_measured,
)
from grainmatch.pipeline.gather import Failure, Measured
from grainmatch.pipeline.measure import measure_boards, read_features
from grainmatch.pipeline.pile import photos_to_boards

__all__ = [
    "DryFit",
    "Failure",
    "Measured",
    "ReadingCache",
    "SavedLayout",
    "arrange",
    "arrange_faces",
    "check_dry_fit",
    "check_photo",
    "faces_to_boards",
    "file_to_papers",
    "folder_to_layouts",
    "layout_to_files",
    "measure_boards",
    "photos_to_boards",
    "read_corrections",
    "read_features",
    "save_measured",
    "score_arrangement",
    "usual_cache",
]
