"""Several cameras at one telescope: which is the main one, and where the focuser stood for the others.

The software of a guide camera often does not know the focuser. Its frames have the position of the main
camera's frames that were exposed at the same time.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from focuskit.frames import FrameInfo
from focuskit.sweeps.run import FocusRun

Camera = tuple[str | None, str | None]


def fill_positions(infos: Sequence[FrameInfo]) -> list[FrameInfo]:
    """Return the frames, those without a focuser position with that of another camera's frames of the same time.

    The whole exposure has to lie within one frame of the other camera, or within two that follow one
    another at the same position.
    """
    hosts: list[tuple[datetime, datetime, FrameInfo]] = []
    if any(info.position is None for info in infos):
        for info in infos:
            if info.position is not None and info.time is not None and info.exposure_s and info.instrument:
                hosts.append((info.time, info.time + timedelta(seconds=info.exposure_s), info))
        hosts.sort(key=lambda host: host[:2])
    starts = [host[0] for host in hosts]
    return [_with_position(info, hosts, starts) if info.position is None and hosts else info for info in infos]


def _with_position(
    info: FrameInfo, hosts: Sequence[tuple[datetime, datetime, FrameInfo]], starts: Sequence[datetime]
) -> FrameInfo:
    if info.time is None or not info.exposure_s or not info.instrument:
        return info
    end = info.time + timedelta(seconds=info.exposure_s)
    at = bisect_right(starts, info.time) - 1
    if at < 0 or hosts[at][2].instrument == info.instrument:
        return info
    _, host_end, host = hosts[at]
    if at + 1 < len(hosts) and hosts[at + 1][2].position == host.position:
        host_end = max(host_end, hosts[at + 1][1])
    return replace(info, position=host.position) if end <= host_end else info


def camera_of(run: FocusRun) -> Camera:
    """Return the names of telescope and camera."""
    return run.telescope, run.instrument


def main_camera(runs: Sequence[FocusRun]) -> Camera:
    """Return the camera with the most pixels in all of its focus runs: the one that takes the pictures."""
    pixels: dict[Camera, int] = {}
    for run in runs:
        rows, columns = run.frames[0].shape
        pixels[camera_of(run)] = pixels.get(camera_of(run), 0) + rows * columns
    return max(sorted(pixels, key=str), key=lambda camera: pixels[camera])
