"""A file as a stream of its unpacked bytes, read forward only and never past the limits.

The limits keep a file that claims or unpacks to too much from taking the machine with it.
"""

from __future__ import annotations

import bz2
import gzip
import io
import os
import stat
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, cast

import numpy as np

from focuskit.core.errors import FocuskitError, failure

# What reading and inflating a file can raise when the file is at fault.
READ_ERRORS = (OSError, EOFError, ValueError, MemoryError, zlib.error)
# Random bytes grow by 0.03 % in gzip and by 0.5 % in bzip2; what grows by more was made to waste time: Python's
# readers take a second for each megabyte of empty parts, of zeros between them, or of a name that never ends.
_MOST_GROWTH = 1.05
_SPARE_BYTES = 2**20  # a piece, and what is read ahead
_PIECE = 2**19  # bytes that are unpacked at once


@dataclass(frozen=True)
class Limits:
    """How much a file may ask for.

    Parameters
    ----------
    file_bytes : int
        Largest file that is opened.
    pixels : int
        Largest image.
    unpacked_bytes : int
        Most that is unpacked from a compressed file to reach and hold the image.
    header_bytes : int
        Longest header, with all headers before it.
    """

    file_bytes: int = 4 * 2**30
    pixels: int = 300_000_000
    unpacked_bytes: int = 3 * 2**30
    header_bytes: int = 2**21


class DamageError(Exception):
    """What is wrong with a file, before its name is put in front."""


def read_bytes(path: Path, most: int, what: str) -> bytes:
    """Return what is in a file or pipe; ``what`` says in an error what it ought to be.

    Raises
    ------
    FocuskitError
        If it cannot be read, or holds more than ``most`` bytes.
    """
    try:
        with path.open("rb") as stream:
            raw = stream.read(most + 1)
    except (OSError, ValueError) as problem:
        raise FocuskitError(f"{path}: cannot be read ({failure(problem)})") from problem
    if len(raw) > most:
        raise FocuskitError(f"{path}: has more than {most} bytes; give {what}")
    return raw


@contextmanager
def open_source(path: str | Path, limits: Limits) -> Iterator[Source]:
    """Open a file as a `Source`.

    Raises
    ------
    DamageError
        If it is not a regular file, or too large.
    OSError
    """

    # To open a pipe would otherwise wait for someone to write into it.
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    status = os.fstat(handle)
    fault = None
    if not stat.S_ISREG(status.st_mode):
        fault = "is not a regular file"
    elif status.st_size > limits.file_bytes:
        fault = f"has {status.st_size} bytes, over the limit of {limits.file_bytes}"
    if fault:
        os.close(handle)
        raise DamageError(fault)
    with open(handle, "rb", buffering=0) as raw_file:  # noqa: PTH123 - of an open handle
        yield Source(raw_file, status.st_size, limits)


class Source:
    """A file as the stream of its unpacked bytes; ``size`` is their number, None for a packed file."""

    def __init__(self, raw_file: io.FileIO, size: int, limits: Limits) -> None:
        self._raw_file = raw_file
        self._limits = limits
        self.position = 0
        self.size: int | None = None
        magic = raw_file.read(4) or b""
        raw_file.seek(0)
        self._stream: io.FileIO | gzip.GzipFile | bz2.BZ2File
        if magic[:2] == b"\x1f\x8b":
            self._stream = gzip.GzipFile(fileobj=_packed(raw_file, self), mode="rb")
        elif magic[:3] == b"BZh":
            self._stream = bz2.BZ2File(_packed(raw_file, self))
        else:
            self._stream = raw_file
            self.size = size

    def read(self, count: int) -> bytes:
        """Return ``count`` bytes, or as many as are left."""
        self._check(count)
        pieces = []
        while count > 0:
            piece = self._stream.read(min(count, _PIECE))
            if not piece:
                break
            pieces.append(piece)
            count -= len(piece)
            self.position += len(piece)
        return pieces[0] if len(pieces) == 1 else b"".join(pieces)

    def skip(self, count: int) -> None:
        """Move forward, at most to the end."""
        self._check(count)
        if self.size is not None:
            self.position = min(self.position + count, self.size)
            self._raw_file.seek(self.position)
            return
        while count > 0:
            step = len(self.read(min(count, _PIECE)))
            if step == 0:
                return
            count -= step

    def read_array(self, dtype: np.dtype, count: int) -> np.ndarray:
        """Return ``count`` items; straight from the file where it is not packed."""
        nbytes = count * dtype.itemsize
        left = nbytes if self.size is None else self.size - self.position
        if left >= nbytes:
            if self.size is not None:
                array = np.fromfile(self._raw_file, dtype, count)
            else:
                data = self.read(nbytes)
                array = np.frombuffer(data, dtype, len(data) // dtype.itemsize)
            if array.size == count:
                return array
            left = array.size * dtype.itemsize
        raise DamageError(f"is cut short: the image needs {nbytes} bytes, {max(left, 0)} are there")

    def finish(self) -> None:
        """Read what little is left of a packed file, so that its checksum is compared."""
        left = 2**22 if self.size is None else 0
        try:
            while left > 0 and (piece := self._stream.read(left)):
                left -= len(piece)
        except gzip.BadGzipFile as problem:
            # Bytes after the last part, as some writers leave them, are no part of the image; a wrong checksum is.
            if not str(problem).startswith("Not a gzipped file"):
                raise

    def _check(self, count: int) -> None:
        if self.size is None and self.position + count > self._limits.unpacked_bytes:
            raise DamageError(f"unpacks to more than the limit of {self._limits.unpacked_bytes} bytes")


class _Packed:
    """The packed bytes of a source, refused where they unpack to less than they are."""

    def __init__(self, raw_file: io.FileIO, source: Source) -> None:
        self._file, self._source = io.BufferedReader(raw_file), source
        self._bytes = 0

    def read(self, count: int) -> bytes:
        """Return some packed bytes, none at the end."""
        data = self._file.read(count)
        self._bytes += len(data)
        if self._bytes > _MOST_GROWTH * self._source.position + _SPARE_BYTES:
            raise DamageError("is packed in parts that hold next to nothing")
        return data


def _packed(raw_file: io.FileIO, source: Source) -> IO[bytes]:
    return cast(IO[bytes], _Packed(raw_file, source))  # the readers call nothing but read
