"""Small focus runs, quick to render and to measure, for tests that need many of them."""

import json
import math
import pickle
from datetime import UTC, datetime
from functools import wraps

import numpy as np
from astropy.io import fits

from focuskit.cli import run as cli
from focuskit.core.optics import Rig
from focuskit.scenes import Scene, Sweep, simulate_run

HERON = Rig("Heron", 1400.0, 200.0, 0.36, 3.76, 4.0)
START = datetime(2031, 3, 4, 20, 10, tzinfo=UTC)
# The optics in headers, the obstruction as the clear area. A search for optics that no header gives costs as much CPU
# as all the rest of an analysis, so only tests about such frames leave them out.
OPTICS = ("FOCALLEN", "APTDIA", "APTAREA")
AREA_MM2 = math.pi / 4.0 * 200.0**2 * (1.0 - 0.36**2)


def _once(render):
    """Render the same run once in a process; images are shared and cannot be written to, headers are new."""
    rendered = {}

    @wraps(render)
    def again(*args, **words):
        key = pickle.dumps((args, sorted(words.items())))
        if key not in rendered:
            rendered[key] = render(*args, **words)
            for image, _ in rendered[key]:
                image.flags.writeable = False
        return [(image, dict(facts)) for image, facts in rendered[key]]

    return again


@_once
def take_run(
    best_position=10000,
    um_per_step=4.0,
    frames=9,
    step=25,
    shape_px=(208, 270),
    seed=3,
    filter_name="L",
    start=START,
    temperature_c=8.0,
    positions=None,
    moved_to=None,
    **scene_facts,
):
    """Return the frames of one run as pairs of image and header."""
    rng = np.random.default_rng(seed)
    # Far enough from each other and from the border that their donuts never touch.
    y, x = (np.mgrid[0:3, 0:4] * 62.0 + 42.0 + rng.uniform(-5.0, 5.0, (2, 3, 4))).reshape(2, -1)
    flux = rng.uniform(4e4, 2e5, x.size)
    rig = Rig(HERON.name, 1400.0, 200.0, 0.36, 3.76, um_per_step)
    scene = Scene(rig, shape_px, x, y, flux, best_position=best_position, drift_px=0.0, **scene_facts)
    positions = positions or [best_position + step * (i - frames // 2) for i in range(frames)]
    sweep = Sweep(filter_name, start, temperature_c, 2.0, positions, moved_to=moved_to)
    taken = simulate_run(scene, sweep, rng)
    return [
        (frame.image, {key: value for key, (value, _) in frame.facts.items()} | {"APTAREA": AREA_MM2})
        for frame in taken
    ]


def without_optics(run):
    """Leave all optics out of the headers: they are searched for in the frames, which takes long."""
    return [(image, {k: v for k, v in facts.items() if k not in OPTICS}) for image, facts in run]


def write_run(folder, run, name="frame_{:02d}.fits"):
    """Write frames with their headers, which may hold what cannot be."""
    folder.mkdir(parents=True, exist_ok=True)
    for number, (image, facts) in enumerate(run, 1):
        write_frame(folder / name.format(number), image, facts)
    return folder


def write_frame(path, image, facts):
    header = fits.Header()
    for key, value in facts.items():
        header[key] = value
    fits.PrimaryHDU(image, header).writeto(path)
    return path


def analyse(capsys, *words, workers=1):
    """Run the command in this process; return exit status, the answer, and what stood on stderr."""
    status = cli.main(["analyse", *map(str, words), "--json", "--workers", str(workers)])
    out, err = capsys.readouterr()
    return status, json.loads(out, parse_constant=_no_constant) if out else None, err


def _no_constant(word):
    raise AssertionError(f"{word} is not JSON")
