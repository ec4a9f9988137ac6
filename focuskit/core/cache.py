"""A cache on disk of what was measured, stacked and fitted, each answer under a hash of all that it depends on."""

from __future__ import annotations

import hashlib
import logging
import os
import pickle
import platform
import sys
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import fields, is_dataclass
from datetime import date, tzinfo
from functools import cache
from pathlib import Path, PurePath
from typing import Any

import numpy as np

from focuskit.core.errors import FocuskitError
from focuskit.core.text import write_whole

_log = logging.getLogger(__name__)

NOTHING = object()  # None is an answer, too
MOST_BYTES = 500_000_000  # chosen: some sixty nights like that of sample_data, which takes 8 MB
_LARGEST = 0.25  # share of that for one entry; chosen: a larger one would push out many others
_ENDINGS = (".kept", ".kept.part")  # no other file in the folder is ever deleted
_SUM_BYTES = 16
# The header and some of the pixels are read, since not every system notes every change of a file. Chosen: a small file
# is read whole, and on a slow disk each piece costs a seek.
_PIECES, _PIECE_BYTES = 8, 2**14
_PLAIN = (bool, int, float, str, bytes, date, tzinfo, np.generic, type(None))


class Cache:
    """Answers kept in a folder of the user's own; without a folder nothing is kept.

    An answer is kept under a hash of everything that it depends on: the files, the options, this program and its
    libraries. So it is never out of date; what was not asked for longest is deleted first. The folder may be deleted
    at any time, and several processes may use it at once. Where it cannot be written nothing is kept, and a damaged
    entry counts as none.

    Parameters
    ----------
    folder : path, optional
        Made if it is not there. A folder that others may write into is not used: reading an entry can run code.
    most_bytes : int
        Beyond this, the entries that were not asked for longest are deleted.
    """

    def __init__(self, folder: str | Path | None, most_bytes: int = MOST_BYTES) -> None:
        self._folder = None if folder is None else _own_folder(Path(folder))
        self._most_bytes = most_bytes
        self._identities: dict[str, bytes] = {}
        self._has_grown = False

    @property
    def keeps(self) -> bool:
        """Whether there is a folder to keep answers in."""
        return self._folder is not None

    def key(self, kind: str, paths: Sequence[str], *parts: Any) -> str | None:
        """Return the key of an answer; None where it cannot be kept: without a folder, or where a file cannot be read.

        Parameters
        ----------
        kind : str
            Which answer.
        paths : sequence of str
            The files that it depends on. Each is looked at once in the life of the cache.
        parts
            Everything else that it depends on, see `digest`.
        """
        if self._folder is None:
            return None
        try:
            return digest(_program(), kind, [self._identity(path) for path in paths], parts)
        except OSError as problem:
            _log.debug("not kept: %s", problem)
            return None

    def load(self, key: str | None) -> Any:
        """Return the answer that is kept, or `NOTHING`."""
        if self._folder is None or key is None:
            return NOTHING
        path = self._folder / (key + _ENDINGS[0])
        try:
            kept = path.read_bytes()
        except OSError:
            return NOTHING
        if kept[:_SUM_BYTES] != _sum(key, kept[_SUM_BYTES:]):
            return NOTHING
        with suppress(OSError):
            os.utime(path)
        return pickle.loads(kept[_SUM_BYTES:])

    def save(self, key: str | None, answer: Any) -> None:
        """Keep an answer."""
        if self._folder is None or key is None:
            return
        content = pickle.dumps(answer, 5)
        if len(content) > _LARGEST * self._most_bytes:
            return
        try:
            write_whole(self._folder / (key + _ENDINGS[0]), _sum(key, content) + content)
            self._has_grown = True
        except FocuskitError as problem:
            _log.debug("not kept: %s", problem)

    def tidy(self) -> None:
        """Delete what was not asked for longest, where the entries take too much space."""
        if self._folder is None or not self._has_grown:
            return
        entries = []
        with suppress(OSError), os.scandir(self._folder) as listing:
            for entry in listing:
                with suppress(OSError):  # another process deletes, too
                    if entry.name.endswith(_ENDINGS):
                        entries.append((entry.stat().st_mtime_ns, entry.stat().st_size, entry.path))
        spare = self._most_bytes - sum(size for _, size, _ in entries)
        for _, size, path in sorted(entries):
            if spare >= 0:
                break
            with suppress(OSError):
                Path(path).unlink()
                spare += size

    def _identity(self, path: str) -> bytes:
        if path not in self._identities:
            self._identities[path] = _identity(path)
        return self._identities[path]


def digest(*parts: Any) -> str:
    """Return a hash of values: equal values have the same hash in every process.

    Raises
    ------
    TypeError
        If there is a kind of value among them that it does not know.
    """
    state = hashlib.blake2b(digest_size=16)
    _add(state.update, parts)
    return state.hexdigest()


def _add(update: Callable[[Any], None], value: Any) -> None:
    """Add a value and its type. Not by pickle: its bytes depend on which of the parts are the same object."""
    if isinstance(value, _PLAIN):
        update(f"{type(value).__name__} {value!r}\n".encode("utf-8", "surrogatepass"))
    elif isinstance(value, np.ndarray) and not value.dtype.hasobject:
        update(f"array {value.dtype.str} {value.shape}\n".encode())
        update(np.ascontiguousarray(value).data)
    elif is_dataclass(value):
        update(f"{type(value).__qualname__}\n".encode())
        for one in fields(value):
            _add(update, getattr(value, one.name))
    elif isinstance(value, Mapping):
        _add(update, [*value.items()])
    elif isinstance(value, list | tuple):
        update(f"list {len(value)}\n".encode())
        for one in value:
            _add(update, one)
    elif isinstance(value, frozenset):
        _add(update, sorted(digest(one) for one in value))
    elif isinstance(value, PurePath):
        _add(update, str(value))
    elif callable(value) and hasattr(value, "__qualname__"):
        _add(update, f"{value.__module__}.{value.__qualname__}")
    else:
        raise TypeError(f"no hash of a {type(value).__name__}")


def _identity(path: str) -> bytes:
    """Return a hash that identifies a file and its content: path, size, times of change, sampled blocks."""
    status = os.stat(path)  # noqa: PTH116 - as its name is, surrogates and all
    own = (status.st_size, status.st_mtime_ns, status.st_ctime_ns)
    state = hashlib.blake2b(repr((os.path.abspath(path), *own)).encode("utf-8", "surrogatepass"))  # noqa: PTH100
    beyond = max(status.st_size - _PIECE_BYTES, 0)
    with open(path, "rb", buffering=0) as file:  # noqa: PTH123
        for piece in range(_PIECES):
            file.seek(piece * beyond // (_PIECES - 1))
            state.update(file.read(_PIECE_BYTES))
    return state.digest()


@cache
def _program() -> str:
    """Return a hash that identifies this program: another version may answer differently, if only in the last digit."""
    import astropy
    import scipy

    files = [(file, file.stat()) for file in sorted(Path(__file__).parents[1].glob("*/*.py"))]
    code = [(file, status.st_size, status.st_mtime_ns) for file, status in files]
    libraries = (np.__version__, scipy.__version__, astropy.__version__)
    return digest(sys.version, platform.machine(), libraries, code)


def _own_folder(folder: Path) -> Path | None:
    """Return the folder, made if it is not there; None where it cannot be made, or others may write into it."""
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        status = folder.stat()
    except (OSError, ValueError) as problem:
        _log.debug("nothing is kept: %s", problem)
        return None
    if hasattr(os, "getuid") and (status.st_uid != os.getuid() or status.st_mode & 0o022):
        _log.debug("nothing is kept: others may write into %s", folder)
        return None
    return folder


def _sum(key: str, content: bytes) -> bytes:
    return hashlib.blake2b(content, digest_size=_SUM_BYTES, key=bytes.fromhex(key)).digest()
