"""Frames: find the FITS files below a folder, read a frame's facts and its pixels once.

Whatever is wrong with a file ends in a FocuskitError that names it.
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields, replace
from pathlib import Path, PurePath

from focuskit.core.errors import FocuskitError, failure
from focuskit.core.matrix import Sites, colour_sites
from focuskit.core.optics import Rig
from focuskit.core.reasons import Reason
from focuskit.frames.fits import FitsImage, read_fits_image
from focuskit.frames.headers import HeaderFacts, read_facts
from focuskit.frames.pixels import Pixels
from focuskit.frames.rig_file import Optics, RigFile
from focuskit.frames.source import Limits

# What is no FITS file by its name, and how to make one of it.
_OTHER_KINDS = (
    (("cr2", "cr3", "crw", "nef", "arw", "dng", "raf", "orf", "rw2", "pef", "srw"),
     "is a raw file of a camera, not FITS: write it as FITS with the pixels of the sensor as they are (no colours "
     "computed, nothing stretched) and the time as DATE-OBS"),
    (("tif", "tiff", "png", "jpg", "jpeg", "bmp"),
     "is a picture, not FITS: let the camera's program save FITS, or write its linear pixels with "
     "astropy.io.fits.writeto; "
     "what was stretched or compressed with loss cannot be measured"),
    (("ser", "avi", "mov", "mp4", "asdf", "h5", "hdf5", "zip", "7z", "rar", "tar", "tgz"),
     "is a container, not FITS: unpack it, or write each frame in it as a FITS file of its own"),
)  # fmt: skip
_NAME = re.compile(r"\.(?:fits?|fts)(?:\.(?:gz|bz2|fz))?$|\.fz$", re.IGNORECASE)


@dataclass(frozen=True, kw_only=True)
class FrameInfo(HeaderFacts):
    """A frame without its pixels: where it is and what its header tells.

    Parameters
    ----------
    path : str
        Path of the file.
    name : str
        Path relative to the folder that was searched, with forward slashes.
    shape : (int, int)
        Rows and columns of the image.
    planes : int
        1, or 3 for an image in red, green and blue.
    bayer_said : str or None
        The Bayer pattern of the rows as stored by the header, where the pixels show another: ``bayer``.
    """

    path: str
    name: str
    shape: tuple[int, int]
    planes: int = 1
    bayer_said: str | None = None

    @property
    def optics(self) -> Optics:
        """What tells its rig from others."""
        return Optics(self.telescope, self.instrument, self.focal_length_mm)

    def rig(self, rig_file: RigFile | None = None) -> Rig:
        """Return the optics of this frame, pixels after binning; name and travel from the rig file."""
        told = rig_file.of(self.optics).rig if rig_file else Rig()
        return Rig(
            name=told.name or self.telescope,
            focal_length_mm=self.focal_length_mm,
            aperture_mm=self.aperture_mm,
            obstruction=self.obstruction,
            pixel_um=self.pixel_um,
            um_per_step=self.um_per_step,
            travel=told.travel,
            position_unit=told.position_unit,
            zone=told.zone,
        )

    @property
    def colour(self) -> str | None:
        """The colour that the stars are measured in: green where there are several; else None, for all light."""
        return "G" if self.bayer or self.planes == 3 else None

    def sites(self, colour: str = "G") -> Sites | None:
        """Return where the pixels of a colour lie in each cell of the matrix; None without a matrix."""
        return colour_sites(self.bayer, colour)

    def plane(self, colour: str = "G") -> int:
        """Return which plane of the file shows a colour."""
        return "RGB".index(colour) if self.planes == 3 else 0


@dataclass(frozen=True)
class FoundFile:
    """A file that may be a frame: its path and its name relative to the folder searched."""

    path: str
    name: str

    @property
    def root(self) -> Path:
        """The folder searched; the name itself may be written otherwise than the path."""
        return Path(self.path).parents[self.name.count("/")]

    def info(self, rig_file: RigFile | None = None, limits: Limits | None = None) -> FrameInfo | None:
        """Return what the header says, see `read_frame`; None where the file is no frame."""
        try:
            return read_frame_info(self.path, self.root, rig_file, limits)
        except FocuskitError:
            return None

    def optics(self, rig_file: RigFile, limits: Limits | None = None) -> Optics | None:
        """Return what the header itself says of the rig; None where the file is no frame."""
        info = self.info(replace(rig_file, rig=Rig(), camera=None), limits)
        return info.optics if info else None


def find_frames(folders: Iterable[str | Path]) -> tuple[list[FoundFile], list[tuple[str, Reason]]]:
    """Find all FITS files below folders, whatever they hold.

    Hidden files and folders are passed over; links to folders are not followed. A file that is
    reached twice counts once.

    Returns
    -------
    found : list of FoundFile
        In order of name within each folder.
    not_used : list of (name, Reason)
        What looks like a frame by its name and cannot be one.

    Raises
    ------
    FocuskitError
        If a folder does not exist or cannot be read.
    """
    found: list[FoundFile] = []
    not_used: list[tuple[str, Reason]] = []
    seen: dict[tuple[int, int], str] = {}
    for folder in folders:
        root = Path(folder)
        try:
            is_folder = stat.S_ISDIR(root.stat().st_mode)
            if is_folder:
                os.scandir(root).close()
        except (OSError, ValueError) as problem:
            raise FocuskitError(
                f"{_printable(str(folder))}: cannot be read ({failure(problem)}); give a folder"
            ) from problem
        # Links come last, so that a file goes by its own name.
        entries = sorted(_walk(root, not_used)) if is_folder else [(False, _printable(root.name), str(root))]
        for _, name, path in entries:
            try:
                status = Path(path).stat()
            except OSError as problem:
                not_used.append((name, _unreadable(problem)))
                continue
            identity = (status.st_dev, status.st_ino)
            if not stat.S_ISREG(status.st_mode):
                not_used.append((name, Reason("not_a_file", "is not a regular file")))
            elif identity in seen:
                if seen[identity] != path:
                    not_used.append((name, Reason("copy", "is a second name of a file that is read already")))
            else:
                seen[identity] = path
                found.append(FoundFile(path, name))
    return found, not_used


def find_some_frames(folders: str | Path | Iterable[str | Path]) -> tuple[list[FoundFile], list[tuple[str, Reason]]]:
    """Find all FITS files below one folder or several, as `find_frames` does.

    Raises
    ------
    FocuskitError
        If a folder cannot be read, or there is no FITS file in any of them.
    """
    listed = [folders] if isinstance(folders, str | Path) else list(folders)
    found, not_used = find_frames(listed)
    if not found:
        named = ", ".join(str(folder) for folder in listed)
        other = [(name, why) for name, why in not_used if why.code == "other_kind"]
        if other:
            more = f" ({len(other)} such files)" if len(other) > 1 else ""
            raise FocuskitError(f"{named}: no FITS files in there; {other[0][0]} {other[0][1]}{more}")
        raise FocuskitError(f"{named}: no FITS files (.fits, .fit, .fts, also .gz, .bz2, .fz) in there")
    return found, not_used


def _walk(root: Path, not_used: list[tuple[str, Reason]]) -> Iterator[tuple[bool, str, str]]:
    """Yield of all that is called like a frame below ``root`` whether it is a link, its name, and its path."""
    waiting = [(str(root), "")]
    while waiting:
        folder, prefix = waiting.pop()
        try:
            with os.scandir(folder) as listing:
                entries = list(listing)
        except OSError as problem:
            not_used.append((prefix, Reason("unreadable", f"folder cannot be read ({failure(problem)})")))
            continue
        for entry in entries:
            if entry.name.startswith("."):
                continue
            name = prefix + _printable(entry.name)
            try:
                is_link, is_folder = entry.is_symlink(), entry.is_dir()
            except OSError as problem:  # a link that leads to itself, or where nobody may look
                not_used.append((name, _unreadable(problem)))
                continue
            if is_folder and is_link:
                not_used.append((name, Reason("link", "is a link to a folder; name that folder itself to read it")))
            elif is_folder:
                waiting.append((entry.path, name + "/"))
            elif _NAME.search(entry.name):
                yield is_link, name, entry.path
            elif other := _other_kind(entry.name):
                not_used.append((name, other))


def _other_kind(name: str) -> Reason | None:
    """Say what a file is that is not called like a frame, and how to make FITS of it; None of what is no image."""
    ending = PurePath(name).suffix[1:].lower()
    return next((Reason("other_kind", text) for endings, text in _OTHER_KINDS if ending in endings), None)


def _unreadable(problem: OSError) -> Reason:
    return Reason("unreadable", f"cannot be read ({failure(problem)})")


def read_frame_info(
    path: str | Path,
    root: str | Path | None = None,
    rig_file: RigFile | None = None,
    limits: Limits | None = None,
) -> FrameInfo:
    """Read what a frame's header tells, without its pixels; see `read_frame`."""
    name = _relative_name(path, root)
    image = read_fits_image(path, name, limits or Limits(), with_pixels=False)
    return _frame_info(image, path, name, rig_file)


def read_pixels(path: str | Path, limits: Limits | None = None, plane: int | None = None) -> Pixels:
    """Read a frame's pixels, of an image in three colours one plane, green if not said; see `read_frame`."""
    image = read_fits_image(path, _relative_name(path, None), limits or Limits(), plane=plane)
    assert image.pixels is not None
    return image.pixels


def read_frame(
    path: str | Path,
    root: str | Path | None = None,
    rig_file: RigFile | None = None,
    limits: Limits | None = None,
) -> tuple[FrameInfo, Pixels]:
    """Read a frame's facts and pixels, opening the file once.

    Parameters
    ----------
    path : path of a FITS file
        Plain, packed with gzip or bzip2, or tile-compressed: told by what is in it, not by its
        name. The first two-dimensional image counts; a cube of one plane is one too, and of three planes, which are
        red, green and blue, the green one is read.
    root : path, optional
        Folder to which ``FrameInfo.name`` is relative.
    rig_file : RigFile, optional
        Overrides the header.
    limits : Limits, optional

    Raises
    ------
    FocuskitError
        If the file is not a FITS file, is damaged or cut short, holds no image, or asks for more
        than the limits allow.
    """
    name = _relative_name(path, root)
    image = read_fits_image(path, name, limits or Limits())
    assert image.pixels is not None
    return _frame_info(image, path, name, rig_file), image.pixels


def _frame_info(image: FitsImage, path: str | Path, name: str, rig_file: RigFile | None) -> FrameInfo:
    facts = read_facts(image.header, Path(path).name, rig_file)
    values = {field.name: getattr(facts, field.name) for field in fields(facts)}
    said = None
    if image.planes == 3:
        values["bayer"] = None  # what the header still says of the raw frame
    elif facts.bayer:
        # The pattern begins in the upper left corner as shown. Where no order of rows is named, that is the first row.
        stored = facts.bayer[2:] + facts.bayer[:2] if facts.bottom_up and image.shape[0] % 2 == 0 else facts.bayer
        values["bayer"] = stored
        if image.pixels is not None and image.pixels.contradicts(stored):
            said, values["bayer"] = stored, stored[2:] + stored[:2]
    return FrameInfo(path=str(path), name=name, shape=image.shape, planes=image.planes, bayer_said=said, **values)


def _relative_name(path: str | Path, root: str | Path | None) -> str:
    path = Path(path)
    if root is not None and path.is_relative_to(root) and path != Path(root):
        return _printable(path.relative_to(root).as_posix())
    return _printable(path.name)


def _printable(name: str) -> str:
    """Return a file name on one line that can be written as UTF-8, whatever bytes it has on disk."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in name)
