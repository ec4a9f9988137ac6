"""The command ``focuskit defocus``: how far single frames were from focus, and where focus is."""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from pathlib import Path
from statistics import median

from focuskit.cli.expected import expected_of
from focuskit.cli.progress import most_frequent, print_answer, print_next, print_remarks, progress_on
from focuskit.cli.sources import (
    name_other_rigs,
    read_cache,
    read_frame_options,
    read_history,
    read_limits,
    use_rigs,
)
from focuskit.core.errors import FocuskitError
from focuskit.core.optics import TOLERATED_GROWTH, UNIT_WORDS, decimals_of, unit_of_positions
from focuskit.core.reasons import Reason
from focuskit.core.text import plain_text, plus_minus, text_table
from focuskit.core.times import format_time
from focuskit.night import SingleFrame, measure_single_frames

# A file that was changed less than so many seconds ago may still be being written: it is looked at again so often.
_WAIT_S, _LOOK_S = 10.0, 0.25
_BLOCK = 2880  # bytes: a whole FITS file is so many, or a multiple (FITS standard 4.0, section 3.1)
_MOST_SENTENCES = 3  # frames that are answered in sentences; chosen: more are a table


def run_defocus(args: argparse.Namespace) -> int:
    """Answer ``focuskit defocus``; returns the exit status."""
    rig_file = read_frame_options(args)
    wait_until_written([Path(folder) for folder in args.folders])
    frames, not_used = measure_single_frames(
        args.folders,
        rig_file=rig_file,
        limits=read_limits(args),
        workers=args.workers,
        progress=progress_on(args, "measuring frames:", then="finding how far from focus each was"),
        history=read_history(args),
        cache=read_cache(args),
        side=args.side,
        expect=expected_of,
    )
    if not frames:
        common = most_frequent([str(why) for _, why in not_used], "no frame was found")
        raise FocuskitError(f"no frame of {len(not_used)} could be measured; most often: {common}")
    name_other_rigs(args, rig_file, (frame.rig.name for frame in frames))
    use_rigs(args, rig_file, (frame.info for frame in frames))
    print_remarks(rig_file.filters.remarks(frame.info.filter for frame in frames))
    answer = {
        "schema": "focuskit.defocus/1",
        "frames": [frame.to_json() for frame in frames],
        "not_used": [{"file": name, "why": str(why)} for name, why in not_used],
    }
    print_answer(args, answer, frames_as_text(frames, not_used, quiet=args.quiet))
    rig = ["--rig", args.rig] if args.rig else []
    print_next(args, "the focus runs among them", "analyse", *args.folders, *rig)
    return 0


def wait_until_written(files: Sequence[Path]) -> None:
    """Wait for files that are still being written, no longer than until ten seconds after their last change."""
    for file in files:
        size = -1
        while file.is_file():
            now = file.stat()
            whole = now.st_size == size and now.st_size > 0 and (now.st_size % _BLOCK == 0 or not _is_plain_fits(file))
            if whole or not 0.0 <= time.time() - now.st_mtime < _WAIT_S:
                break
            size = now.st_size
            time.sleep(_LOOK_S)


def _is_plain_fits(file: Path) -> bool:
    return file.suffix.lower() in (".fits", ".fit", ".fts")


def answer_of(frame: SingleFrame, unit: str) -> list[str]:
    """Say in a few lines where focus is by one frame, and which move leads there."""
    focus, name = frame.focus, plain_text(frame.info.name)
    digits = decimals_of(frame.tolerance_steps)
    position = frame.info.position

    def move_to(best: float) -> str:
        move = best - (position or 0.0)
        return f"move {abs(move):.{digits}f} {unit} {'up' if move > 0.0 else 'down'} from {position:.10g}"

    if focus.best_position is not None:
        first = f"{name}: focus is at {plus_minus(focus.best_position, focus.best_position_err)}"
        first += f"; {move_to(focus.best_position)}." if focus.move is not None else f". No move: {focus.why_no_move}."
    elif focus.side:
        first = f"{name}: {plus_minus(abs(focus.defocus_um), focus.defocus_err_um)} µm {focus.side} of focus."
    elif focus.limit_um is not None:
        first = f"{name}: less than {focus.limit_um:.0f} µm from focus (95 %); "
        first += f"within the tolerance with a probability of {100.0 * focus.within_tolerance:.0f} %."
    else:
        first = f"{name}: {plus_minus(focus.defocus_um, focus.defocus_err_um)} µm from focus; the side is open."
    lines = [first]
    if focus.side and focus.best_position is not None:
        source = _FROM[focus.side_from or ""]
        lines.append(f"  The frame lay {abs(focus.defocus_um):.0f} µm {focus.side} of focus, according to {source}.")
    elif focus.side is None:
        for one in focus.candidates:
            if one.best_position is not None and focus.limit_um is None:
                best = plus_minus(one.best_position, one.best_position_err)
                lines.append(f"  If {one.side} ({100.0 * one.probability:.0f} %): focus at {best}.")
        lines.append("  To settle the side: give --side, add a frame at another position, or record focus runs.")
    if not frame.known.is_calibrated:
        lines.append("  Logged runs of this telescope make the error smaller: analyse some with --record.")
    if focus.move is not None and focus.approach:
        lines.append(f"  Arrive there moving {focus.approach}, as the runs did that calibrate this.")
    return lines


_FROM = {
    "given": "--side", "stars": "its stars", "pair": "the other frame", "sweep": "the other frames",
    "logbook": "the logged runs",
}  # fmt: skip


def frames_as_text(
    frames: Sequence[SingleFrame], not_used: Sequence[tuple[str, Reason]] = (), *, quiet: bool = False
) -> str:
    """Return the frames as a table for a terminal, with what they have in common; few of them as sentences first."""
    units = {UNIT_WORDS[unit_of_positions(frame.rig.position_unit, frame.tolerance_steps)] for frame in frames}
    unit = units.pop() if len(units) == 1 else "steps"
    first: list[str] = []
    if len(frames) <= _MOST_SENTENCES and not quiet:
        first = [line for frame in frames for line in answer_of(frame, unit)] + [""]
    rows = [("start (UTC)", "filter", "position", "focus at", "from focus µm", "side", "growth %", "seeing ″", "file")]
    for frame in frames:
        found, focus = frame.defocus, frame.focus
        away = plus_minus(abs(focus.defocus_um), focus.defocus_err_um)
        if focus.limit_um is not None:
            away = f"< {focus.limit_um:.0f}"
        rows.append(
            (
                (format_time(frame.info.time) or "–").replace("T", " ").removesuffix("Z"),
                plain_text(frame.info.filter or "–"),
                "–" if frame.info.position is None else f"{frame.info.position:.10g}",
                "–" if focus.best_position is None else plus_minus(focus.best_position, focus.best_position_err),
                away,
                f"{focus.side} ({focus.side_from})" if focus.side else "–",
                f"{100.0 * (frame.growth - 1.0):.1f}",
                "–" if found.seeing_arcsec is None else f"{found.seeing_arcsec:.2f}",
                plain_text(frame.info.name),
            )
        )
    lines = first + text_table(rows, right={2, 3, 4, 6, 7})
    if quiet:
        return "\n".join(lines)
    if not_used:
        lines += ["", "Not measured:"] + [f"  {plain_text(name)}: {plain_text(str(why))}" for name, why in not_used]
    blurred = sum(frame.growth > TOLERATED_GROWTH for frame in frames)
    seeing = [frame.defocus.seeing_arcsec for frame in frames if frame.defocus.seeing_arcsec is not None]
    typical = f"; median seeing {median(seeing):.2f}″" if seeing else ""
    lines += [
        "",
        f"{blurred} of {len(frames)} frames lost more than 5 % in half-flux diameter to defocus{typical}.",
        "From focus: distance from the position of least half-flux diameter, with its standard deviation; < is what",
        "it does not exceed with 95 %. Outside is further from the objective, taken as the higher position. Growth is",
        "what that distance adds to the half-flux diameter; the seeing is that with defocus taken out.",
        "Before you send a focuser anywhere: keep to the travel that its maker states.",
    ]
    return "\n".join(lines)
