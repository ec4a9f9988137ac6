"""The command ``focuskit setup``: a draft of a rig file from the frames in a folder."""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from focuskit.cli.progress import print_answer, print_next, progress_on
from focuskit.cli.sources import read_cache, read_limits, rigs_folder
from focuskit.core.errors import FocuskitError
from focuskit.core.text import plain_text, plus_minus, write_whole
from focuskit.frames import RigDraft, RigFile
from focuskit.night import RunResult, analyse

# A pattern is checked if the sizes have their minimum between the positions that it reads: positions in a wrong order
# may still look like one side of a sweep.
_CONTRADICT = frozenset(("flat_curve", "upside_down", "minimum_outside", "no_minimum"))
_MOST_TRIED = 15  # frames of one sweep that a pattern is tried on: as many as a sweep has


@dataclass(frozen=True)
class Written:
    """A draft with what a sweep of its frames showed.

    Parameters
    ----------
    draft : RigDraft
    path : Path
        Where its rig file is.
    is_new : bool
        Whether it was written now; a rig file that is there is left as it is.
    pattern : str or None
        Of the positions in file names, where a sweep shows a focus curve with it.
    tried : RunResult or None
        That sweep.
    notes : tuple of str
        What knowing the missing optics would gain in that sweep.
    """

    draft: RigDraft
    path: Path
    is_new: bool
    pattern: str | None
    tried: RunResult | None
    notes: tuple[str, ...]


def run_setup(args: argparse.Namespace) -> int:
    """Answer ``focuskit setup``; returns the exit status."""
    folder = Path(args.to) if args.to else rigs_folder()
    drafts = RigDraft.read(args.folders, read_limits(args), progress_on(args, "reading headers:"))
    written = [_write(draft, folder, args) for draft in drafts]
    answer = {"schema": "focuskit.setup/1", "rigs": [_as_dict(one) for one in written]}
    print_answer(args, answer, "\n\n".join("\n".join(_as_lines(one, args.to is not None)) for one in written))
    given = ["--rig", str(written[0].path)] if args.to and len(written) == 1 else []
    print_next(args, "the best positions, with what is known now", "analyse", *args.folders, *given)
    return 0


def _write(draft: RigDraft, folder: Path, args: argparse.Namespace) -> Written:
    tried, notes = _try_sweep(draft, args)
    is_curve = tried is not None and tried.fit.best_position is not None and not _CONTRADICT & set(tried.fit.flags)
    pattern = draft.names.pattern if draft.names and is_curve else None
    path = folder / draft.file_name
    is_new = not path.exists()
    if is_new:
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as problem:
            raise FocuskitError(f"{folder}: cannot be made ({problem.strerror}); name another with --to") from problem
        write_whole(path, draft.to_toml(pattern).encode("utf-8"))
    return Written(draft, path, is_new, pattern, *((tried, notes) if is_curve else (None, ())))


def _try_sweep(draft: RigDraft, args: argparse.Namespace) -> tuple[RunResult | None, tuple[str, ...]]:
    """Analyse one sweep of a rig's frames, with the position from their names where headers have none.

    Returns the run, and what knowing the missing optics would gain in it.
    """
    pattern = draft.names.pattern if draft.names else None
    usable = [info for info in draft.frames if info.position is not None or pattern]
    filters = [info.filter for info in usable]
    most = max(sorted(set(filters), key=str), key=filters.count, default=None)
    sweep = sorted((info for info in usable if info.filter == most), key=lambda info: (str(info.time or ""), info.name))
    if len(sweep) < 3:
        return None, ()
    rig_file = RigFile().with_position_pattern(pattern) if pattern else RigFile()
    paths = [info.path for info in sweep[:_MOST_TRIED]]
    progress = progress_on(args, f"trying a sweep of {plain_text(draft.name)}:")
    night = analyse(
        paths,
        rig_file=rig_file,
        limits=read_limits(args),
        workers=args.workers,
        progress=progress,
        cache=read_cache(args),
    )
    return (night.runs[0], night.rigs[0].notes) if night.runs else (None, ())


def _as_dict(one: Written) -> dict[str, Any]:
    draft = one.draft
    return {
        "name": draft.name,
        "telescope": draft.telescope,
        "camera": draft.camera,
        "frames": len(draft.frames),
        "file": str(one.path),
        "is_new": one.is_new,
        "found": draft.numbers,
        "missing": [{"key": key, "worth": worth} for key, worth in draft.missing.items()],
        "doubts": [{"key": key, "why": why} for key, why in draft.doubts.items()],
        "position_pattern": one.pattern,
        "position_pattern_why": draft.names.why if draft.names else None,
        "best_position_err": one.tried.fit.best_position_err if one.tried else None,
        "notes": list(one.notes),
    }


def _as_lines(one: Written, is_elsewhere: bool) -> list[str]:
    draft = one.draft
    camera = f", camera {draft.camera}" if draft.camera else ""
    lines = [plain_text(f"{draft.name}: {len(draft.frames)} frames{camera}")]
    known = ", ".join(f"{key} {value:g}" for key, value in draft.numbers.items())
    lines.append(f"  found    {known or 'no number in the headers'}")
    lines += [f"  doubtful {key}: {plain_text(why)}" for key, why in draft.doubts.items()]
    lines += _grouped(draft.missing)
    if one.tried:
        best, err = one.tried.fit.best_position, one.tried.fit.best_position_err
        how = "shapes and sizes of the stars" if one.tried.profile else "the sizes of the stars alone"
        lines.append(f"  now      one sweep gives {plus_minus(best, err)}, from {how}")
        lines += [f"  worth    {plain_text(note.removeprefix(f'{draft.name}: '))}" for note in one.notes]
    if draft.names:
        pattern = one.pattern or ("not checked: " + draft.names.pattern if draft.names.pattern else "none")
        lines.append(f"  position in file names: {plain_text(pattern)} ({plain_text(draft.names.why)})")
    lines.append(
        f"  {'written to' if one.is_new else 'is there already, and left as it is:'} {plain_text(str(one.path))}"
    )
    if not is_elsewhere and not (draft.telescope or draft.camera):
        lines.append("  its frames name neither telescope nor camera: give the file with --rig")
    return lines


def _grouped(missing: dict[str, str]) -> list[str]:
    """Return a line for the missing numbers of one worth."""
    by_worth: dict[str, list[str]] = {}
    for key, worth in missing.items():
        by_worth.setdefault(worth, []).append(key)
    return [f"  missing  {', '.join(keys)}: {worth}" for worth, keys in by_worth.items()]
