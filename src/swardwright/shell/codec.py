"""Domain objects to JSON text and back, exactly: frozen dataclasses, enums and read-only numpy arrays.

Numbers are written with Python's shortest repr, which reads back to the same float64.
"""

from __future__ import annotations

import functools
import hashlib
import json
import zlib
from pathlib import Path
from typing import Any, TypeVar, get_origin

import numpy as np
from cattrs.converters import Converter
from cattrs.strategies import configure_union_passthrough

from swardwright.domain.errors import SiteError
from swardwright.domain.poses import frozen

T = TypeVar("T")
#: a stored text may not unpack to more than this (a damaged or foreign database)
MAX_UNPACKED_BYTES = 1_000_000_000


def _is_array(kind: Any) -> bool:
    return kind is np.ndarray or get_origin(kind) is np.ndarray


def _plain(value: Any) -> Any:
    """Turn what numpy leaves in dataclasses into plain Python for ``json``."""
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, np.ndarray):
        return value.tolist()
    raise TypeError(f"cannot store a {type(value).__name__}")


@functools.cache
def converter() -> Converter:
    """Return the one converter of the program."""
    made = Converter()
    made.register_structure_hook_func(_is_array, lambda value, _: frozen(value))
    made.register_unstructure_hook_func(_is_array, lambda value: value.tolist())
    configure_union_passthrough(float | str | bool | int | None, made)
    return made


def to_text(value: Any) -> str:
    """Return ``value`` as compact JSON with sorted keys (so equal objects give equal text)."""
    return json.dumps(converter().unstructure(value), sort_keys=True, separators=(",", ":"), default=_plain)


def from_text(text: str, kind: type[T]) -> T:
    """Return the object that :func:`to_text` wrote.

    Raises
    ------
    SiteError
        If the text is not what ``kind`` needs: written by another version, or damaged.
    """
    try:
        return converter().structure(json.loads(text), kind)
    except Exception as error:
        name = getattr(kind, "__name__", str(kind))
        raise SiteError(
            f"a stored {name} cannot be read back ({type(error).__name__})",
            where="site.db",
            remedy="restore the site folder from a backup, or run the step that made it again",
        ) from error


def pack(value: Any) -> bytes:
    """Return :func:`to_text` compressed (zlib), for what is large."""
    return zlib.compress(to_text(value).encode(), 1)


def unpack(data: bytes, kind: Any) -> Any:
    """Return the object that :func:`pack` wrote; unpacking is bounded."""
    engine = zlib.decompressobj()
    try:
        text = engine.decompress(data, MAX_UNPACKED_BYTES).decode()
    except (zlib.error, UnicodeDecodeError) as error:
        raise SiteError("stored data is damaged", where="site.db", remedy="restore from a backup") from error
    if engine.unconsumed_tail:
        raise SiteError("stored data is too large", where="site.db", limit=f"{MAX_UNPACKED_BYTES} bytes")
    return from_text(text, kind)


def content_hash(value: Any) -> str:
    """Return the SHA-256 (first 16 hex digits) of an object's text."""
    text = value if isinstance(value, str) else to_text(value)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def file_hash(path: Path) -> str:
    """Return the SHA-256 (first 16 hex digits) of a file, or of all files below a folder; ``"absent"`` without one."""
    digest = hashlib.sha256()
    if path.is_dir():
        for inner in sorted(p for p in path.rglob("*") if p.is_file()):
            digest.update(f"{inner.relative_to(path).as_posix()}\0{file_hash(inner)}\0".encode())
    elif path.is_file():
        with path.open("rb") as stream:
            while block := stream.read(1 << 20):
                digest.update(block)
    else:
        return "absent"
    return digest.hexdigest()[:16]


__all__ = ["content_hash", "converter", "file_hash", "from_text", "pack", "to_text", "unpack"]
