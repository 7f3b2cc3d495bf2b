"""Frozen records with arrays to bytes and back, for files that only this program reads.

The file is an uncompressed NumPy archive: one JSON header that spells the records, and the arrays it
refers to by number. No pickle is ever read or written.
"""

from __future__ import annotations

import io
import json
import struct
import zipfile
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from grainmatch.errors import GrainmatchError

HEADER = "header"
# What zipfile and NumPy let through for damaged members, and for array headers that claim too much.
_DAMAGE = (OSError, EOFError, zipfile.BadZipFile, zlib.error, struct.error, RuntimeError, MemoryError)


def pack(value: Any) -> bytes:
    """Records, tuples, mappings, paths, plain values and arrays -> bytes. Raises TypeError for others."""
    arrays: list[NDArray[Any]] = []
    header = json.dumps(_spell(value, arrays)).encode()
    buffer = io.BytesIO()
    named = {f"a{n}": array for n, array in enumerate(arrays)}
    np.savez(buffer, allow_pickle=False, **{HEADER: np.frombuffer(header, dtype=np.uint8)}, **named)
    return buffer.getvalue()


def unpack(data: bytes, kinds: Sequence[type[Any]]) -> Any:
    """What `pack` was given. kinds: the record classes that may occur.

    Raises ValueError when the bytes are damaged or their records have other fields than today's.
    """
    try:
        with np.load(io.BytesIO(data), allow_pickle=False) as archive:
            header = json.loads(archive[HEADER].tobytes())
            return _build(header, archive, {kind.__name__: kind for kind in kinds})
    except (*_DAMAGE, KeyError, TypeError, AttributeError, RecursionError, GrainmatchError) as error:
        raise ValueError("damaged or of another version") from error


def _spell(value: Any, arrays: list[NDArray[Any]]) -> Any:
    if value is None or isinstance(value, bool | int | float | str):
        return value.item() if isinstance(value, np.generic) else value
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, np.ndarray):
        arrays.append(value)
        return {"array": len(arrays) - 1}
    if isinstance(value, Path):
        return {"path": str(value)}
    if isinstance(value, tuple | list):
        return {"items": [_spell(v, arrays) for v in value]}
    if isinstance(value, Mapping):
        return {"pairs": [[_spell(k, arrays), _spell(v, arrays)] for k, v in value.items()]}
    if is_dataclass(value):
        spelled = {f.name: _spell(getattr(value, f.name), arrays) for f in fields(value)}
        return {"record": type(value).__name__, "fields": spelled}
    raise TypeError(f"cannot pack {type(value).__name__}")


def _build(spelled: Any, archive: Mapping[str, NDArray[Any]], kinds: Mapping[str, type[Any]]) -> Any:
    if not isinstance(spelled, dict):
        return spelled
    match spelled:
        case {"array": number}:
            return archive[f"a{number}"]
        case {"path": text}:
            return Path(text)
        case {"items": items}:
            return tuple(_build(v, archive, kinds) for v in items)
        case {"pairs": pairs}:
            return {_build(k, archive, kinds): _build(v, archive, kinds) for k, v in pairs}
        case {"record": name, "fields": values}:
            return kinds[name](**{k: _build(v, archive, kinds) for k, v in values.items()})
    raise ValueError("unknown spelling")
