"""Settings of all tests: no time limits (machines differ), the same examples on every run."""

import atexit
import hashlib
import os
import shutil
import signal
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import platformdirs
import pytest
from hypothesis import HealthCheck, settings
from threadpoolctl import threadpool_limits

# A shell that starts the tests in the background lets them, and what they start, ignore Ctrl-C.
signal.signal(signal.SIGINT, signal.default_int_handler)
# Nobody's own logbook and rig files: tests are of users who have none.
_nobody = tempfile.mkdtemp(prefix="focuskit-tests-")
atexit.register(shutil.rmtree, _nobody, ignore_errors=True)
for _name in ("XDG_DATA_HOME", "XDG_CONFIG_HOME", "LOCALAPPDATA", "APPDATA"):
    os.environ[_name] = _nobody
# No test reads what an earlier one measured: a file is in the place of the cache folder. Matplotlib keeps its fonts.
os.environ.setdefault("MPLCONFIGDIR", str(platformdirs.user_cache_path("matplotlib", appauthor=False)))
os.environ["XDG_CACHE_HOME"] = str(Path(_nobody, "cache"))
for _name in ("cache/focuskit", "focuskit/Cache"):
    Path(_nobody, _name).parent.mkdir(exist_ok=True)
    Path(_nobody, _name).touch()
# As in an environment that is switched on: what is said to be typed next begins with the bare name.
os.environ["PATH"] = os.pathsep.join([str(Path(sys.executable).parent), os.environ.get("PATH", "")])
# Tests run on all cores already: threads of linear algebra would only wait for one another.
os.environ["OPENBLAS_NUM_THREADS"] = "1"


def pytest_configure():
    # What was loaded by now has not seen the variable.
    threadpool_limits(limits=1, user_api="blas")


settings.register_profile(
    "focuskit", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow], database=None
)
settings.load_profile("focuskit")

SAMPLE = Path(__file__).parent.parent / "sample_data"


@pytest.fixture(scope="session", autouse=True)
def _pixels_measured_once():
    """Measure the stars of the same pixels once in a process: a hundred analyses are of the same few runs.

    Tests of the measurement itself call `focuskit.stars.image.measure_pixels`, which is not replaced.
    """
    from focuskit.stars import measure

    really, known = measure.measure_pixels, {}

    def measure_pixels(pixels, **facts):
        raw = np.ascontiguousarray(pixels.raw)
        image = hashlib.blake2b(raw.data.cast("B")).digest(), raw.shape, raw.dtype.str
        key = image, repr((pixels.zero, pixels.scale, pixels.blank, pixels.sites, sorted(facts.items())))
        if key not in known:
            known[key] = really(pixels, **facts)
        return known[key]

    measure.measure_pixels = measure_pixels
    yield
    measure.measure_pixels = really


@pytest.fixture(scope="session")
def night():
    """Return the sample night, analysed once for all tests that look at it."""
    import focuskit

    return focuskit.analyse(SAMPLE / "night", rig_file=focuskit.read_rig_file(SAMPLE / "heron.toml"), workers=1)


@pytest.fixture(scope="session")
def failed_night(night):
    """Return the sample night as it is without the stars' shapes in the run beside focus, which then fails."""
    from focuskit.night.sizes import _fit_curve

    def sizes_only(run):
        return replace(run, fit=_fit_curve(run), profile=None, profile_frames=(), aberrations=None, to_middle=None)

    return replace(night, runs=tuple(run if run.fit.fits else sizes_only(run) for run in night.runs))


@pytest.fixture
def measured_night(night, monkeypatch):
    """Let commands and pages that analyse the sample night with its rig file have it as `night`: once is enough."""
    import focuskit
    from focuskit.cli import analyse as command

    really, sample = focuskit.analyse, (SAMPLE / "night").resolve()
    rig_file = focuskit.read_rig_file(SAMPLE / "heron.toml")

    def analyse(folders, **settings):
        listed = [folders] if isinstance(folders, str | Path) else list(folders)
        known = [Path(one).resolve() for one in listed] == [sample] and settings.get("rig_file") == rig_file
        return night if known else really(folders, **settings)

    monkeypatch.setattr(focuskit, "analyse", analyse)
    monkeypatch.setattr(command, "analyse", analyse)


@pytest.fixture(scope="session")
def _nights():
    """Return the nights that commands have analysed, by files and settings."""
    return {}


@pytest.fixture
def analysed_once(_nights, monkeypatch):
    """Let commands analyse the same files with the same settings once: for tests of what they do with the night."""
    import focuskit
    from focuskit.cli import analyse as command

    really = focuskit.analyse

    def analyse(folders, **settings):
        listed = [Path(one).resolve() for one in ([folders] if isinstance(folders, str | Path) else folders)]
        files = [(file, file.stat()) for one in listed for file in sorted(one.rglob("*"))]
        asked = {name: value for name, value in settings.items() if name not in ("progress", "workers", "executor")}
        status = [(str(file), one.st_size, one.st_mtime_ns) for file, one in files]
        key = str(folders), repr(status), repr(sorted(asked.items()))
        if not files or key not in _nights:
            _nights[key] = really(folders, **settings)
        return _nights[key]

    monkeypatch.setattr(focuskit, "analyse", analyse)
    monkeypatch.setattr(command, "analyse", analyse)


@pytest.fixture(scope="session")
def two_runs(tmp_path_factory):
    """Return a folder with the frames of the first two runs of the sample night."""
    folder = tmp_path_factory.mktemp("two_runs")
    for number in range(1, 19):
        shutil.copy(SAMPLE / "night" / f"frame_{number:04d}.fits.fz", folder)
    return folder
