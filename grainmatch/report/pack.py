"""Frozen records with arrays to bytes and back, for files that only this program reads.

A pack is a JSON header that spells the records, then the arrays it refers to by number, as they lie in
memory. So a pack on disk can be mapped: its pictures are read when they are looked at, and the system may
take their memory back at any time. No pickle is ever read or written.
"""

from __future__ import annotations

import json
import mmap
import struct
import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from grainmatch.disk import write_pieces
from grainmatch.errors import GrainmatchError

_MAGIC = b"grainmatch pack\n"
_SIZES = struct.Struct("<IQ")  # checksum of all that follows it, bytes of the header
_START = len(_MAGIC) + _SIZES.size
_ALIGN = 64
_CHUNK = 1 << 20
_DAMAGE = (KeyError, TypeError, ValueError, AttributeError, IndexError, RecursionError, GrainmatchError)


def pack(value: Any) -> bytes:
    """Records, tuples, mappings, paths, plain values and arrays -> bytes. Raises TypeError for others."""
    return b"".join(_pieces(value))


def write_pack(path: Path, value: Any) -> Path:
    """Write what `pack` gives, without holding it in memory. Raises StoreError when the disk refuses."""
    return write_pieces(path, _passing(_pieces(value)))


def unpack(data: bytes | mmap.mmap, kinds: Sequence[type[Any]]) -> Any:
    """What `pack` was given, its arrays read-only views of the bytes. kinds: the records that may occur.

    Raises ValueError when the bytes are damaged or their records have other fields than today's.
    """
    if _told_checksum(data[:_START]) != _checksum([memoryview(data)[len(_MAGIC) + 4 :]]):
        raise ValueError("damaged or of another version")
    return _read(data, kinds)


def map_pack(path: Path, kinds: Sequence[type[Any]]) -> Any:
    """What `write_pack` was given, its arrays left on disk until they are looked at.

    Raises OSError when the file cannot be opened, ValueError as `unpack` does.
    """
    with path.open("rb") as file:
        told = _told_checksum(file.read(_START))
        file.seek(len(_MAGIC) + 4)
        # Read, not mapped, for the check: pages of a mapping count as ours once they are touched.
        if _checksum(iter(lambda: file.read(_CHUNK), b"")) != told:
            raise ValueError("damaged or of another version")
        mapped = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
    value = _read(mapped, kinds)
    _let_go(mapped)  # of the header, and of all that the system read ahead
    return value


def let_go(array: NDArray[Any]) -> None:
    """Give the memory of a mapped array, and of its whole pack, back to the system, which reads it from disk
    again when it is next used."""
    base: Any = array
    while isinstance(base, np.ndarray):
        base = base.base
    if isinstance(base, memoryview):
        base = base.obj
    if isinstance(base, mmap.mmap):
        _let_go(base)


def _let_go(mapped: mmap.mmap) -> None:
    if hasattr(mmap, "MADV_DONTNEED"):
        mapped.madvise(mmap.MADV_DONTNEED)


# --- the bytes -------------------------------------------------------------------------------


def _pieces(value: Any) -> list[bytes | memoryview]:
    arrays: list[NDArray[Any]] = []
    spelled = _spell(value, arrays)
    places: list[tuple[str, tuple[int, ...], int]] = []
    body: list[bytes | memoryview] = []
    at = 0
    for array in arrays:
        if array.dtype.hasobject:
            raise TypeError("cannot pack an array of objects")
        pad = -at % _ALIGN
        places.append((array.dtype.str, array.shape, at + pad))
        body += [bytes(pad), np.ascontiguousarray(array).reshape(-1).view(np.uint8).data]
        at += pad + array.nbytes
    header = json.dumps({"arrays": places, "value": spelled}).encode()
    header += b" " * (-(_START + len(header)) % _ALIGN)
    rest: list[bytes | memoryview] = [struct.pack("<Q", len(header)), header, *body]
    return [_MAGIC, struct.pack("<I", _checksum(_passing(rest))), *rest]


def _passing(pieces: Iterable[bytes | memoryview]) -> Iterator[bytes | memoryview]:
    """The pieces one by one; mapped ones give their memory back when they have passed."""
    for piece in pieces:
        yield piece
        if isinstance(piece, memoryview):
            let_go(np.asarray(piece.obj))


def _checksum(pieces: Iterable[bytes | memoryview]) -> int:
    total = 0
    for piece in pieces:
        total = zlib.crc32(piece, total)
    return total


def _told_checksum(start: bytes) -> int:
    if len(start) < _START or not start.startswith(_MAGIC):
        raise ValueError("damaged or of another version")
    return int(_SIZES.unpack_from(start, len(_MAGIC))[0])


def _read(data: bytes | mmap.mmap, kinds: Sequence[type[Any]]) -> Any:
    try:
        _, size = _SIZES.unpack_from(data, len(_MAGIC))
        header = json.loads(data[_START : _START + size])
        arrays = _Arrays(data, header["arrays"], _START + size)
        return _build(header["value"], arrays, {kind.__name__: kind for kind in kinds})
    except _DAMAGE as error:
        raise ValueError("damaged or of another version") from error


@dataclass(frozen=True)
class _Arrays:
    """The arrays of a pack, made when asked for."""

    data: bytes | mmap.mmap
    places: Sequence[Sequence[Any]]
    start: int

    def __getitem__(self, number: int) -> NDArray[Any]:
        dtype, shape, at = self.places[number]
        count = int(np.prod(shape, dtype=np.int64))
        if count == 0:
            return np.empty(shape, dtype)
        return np.frombuffer(self.data, dtype, count, self.start + at).reshape(shape)


# --- the header ------------------------------------------------------------------------------


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


def _build(spelled: Any, arrays: _Arrays, kinds: Mapping[str, type[Any]]) -> Any:
    if not isinstance(spelled, dict):
        return spelled
    match spelled:
        case {"array": number}:
            return arrays[number]
        case {"path": text}:
            return Path(text)
        case {"items": items}:
            return tuple(_build(v, arrays, kinds) for v in items)
        case {"pairs": pairs}:
            return {_build(k, arrays, kinds): _build(v, arrays, kinds) for k, v in pairs}
        case {"record": name, "fields": values}:
            return kinds[name](**{k: _build(v, arrays, kinds) for k, v in values.items()})
    raise ValueError("unknown spelling")
