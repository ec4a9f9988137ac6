"""The command ``focuskit defocus``: how far ordinary frames were from focus, one by one."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from statistics import median

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
from focuskit.core.optics import TOLERATED_GROWTH
from focuskit.core.reasons import Reason
from focuskit.core.text import plain_text, plus_minus, text_table
from focuskit.core.times import format_time
from focuskit.night import SingleFrame, measure_single_frames


def run_defocus(args: argparse.Namespace) -> int:
    """Answer ``focuskit defocus``; returns the exit status."""
    rig_file = read_frame_options(args)
    frames, not_used = measure_single_frames(
        args.folders,
        rig_file=rig_file,
        limits=read_limits(args),
        workers=args.workers,
        progress=progress_on(args, "measuring frames:", then="finding how far from focus each was"),
        history=read_history(args),
        cache=read_cache(args),
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


def frames_as_text(
    frames: Sequence[SingleFrame], not_used: Sequence[tuple[str, Reason]] = (), *, quiet: bool = False
) -> str:
    """Return the frames as a table for a terminal, with what they have in common."""
    rows = [("start (UTC)", "filter", "position", "from focus µm", "side", "HFD px", "growth %", "seeing ″", "file")]
    for frame in frames:
        found = frame.defocus
        rows.append(
            (
                (format_time(frame.info.time) or "–").replace("T", " ").removesuffix("Z"),
                plain_text(frame.info.filter or "–"),
                "–" if frame.info.position is None else f"{frame.info.position:.10g}",
                plus_minus(found.defocus_um, found.defocus_err_um),
                frame.side or "–",
                f"{frame.hfd_px:.2f}",
                f"{100.0 * (frame.growth - 1.0):.1f}",
                "–" if found.seeing_arcsec is None else f"{found.seeing_arcsec:.2f}",
                plain_text(frame.info.name),
            )
        )
    lines = text_table(rows, right={2, 3, 5, 6, 7})
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
        "From focus: distance from the position of least half-flux diameter, with its standard deviation. A single",
        "frame hardly tells to which side; where it does, outside means further from the objective. Growth is what",
        "that distance adds to the half-flux diameter; the seeing is told with defocus taken out.",
    ]
    return "\n".join(lines)
