"""Jobs, photos, the rack of boards and layouts, kept on disk so that nothing is lost in a crash."""

from grainmatch.store.archive import read_archive, write_archive
from grainmatch.store.database import SCHEMA_VERSION
from grainmatch.store.records import Job, JobBoard, JobPhoto, RackBoard, SavedLayout
from grainmatch.store.shop import Shop, home_folder, open_shop

__all__ = [
    "SCHEMA_VERSION",
    "Job",
    "JobBoard",
    "JobPhoto",
    "RackBoard",
    "SavedLayout",
    "Shop",
    "home_folder",
    "open_shop",
    "read_archive",
    "write_archive",
]
