"""What the runs of one telescope tell each other of its spherical aberration."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from profile_runs import RIG, WAVELENGTH_UM, synthetic_frame, synthetic_run

import focuskit
from focuskit.core.calibration import Spherical, pool_spherical
from focuskit.core.optics import Rig
from focuskit.frames import RigFile
from focuskit.scenes import Passband, Scene, Sweep, strew_stars, write_night
from focuskit.waves import RunProfiles, fit_night, measure_defocus, profile_model
from focuskit.waves.fit import SPHERICAL_PRIOR
from focuskit.waves.model import fwhm_factor

HERON = Rig("Heron", 1400.0, 200.0, 0.36, 3.76, 4.0, (0, 20000))
WAVES = 0.03


@pytest.fixture(scope="module")
def nights(tmp_path_factory):
    """Two nights of one aberrated telescope: two runs, then one with few faint stars."""
    rng = np.random.default_rng(5150)
    shape = (500, 700)
    out = []
    for k, (count, faintest, brightest, runs) in enumerate([(45, 8000.0, 2e5, 2), (30, 700.0, 6000.0, 1)]):
        x, y, flux = strew_stars(count, shape, rng, faintest_e_per_s=faintest, brightest_e_per_s=brightest)
        scene = Scene(
            HERON, shape, x, y, flux, {"L": Passband(0.0, 1.0, 5.0)}, 9000.0,
            seeing_jitter=0.1, spherical_waves=WAVES,
        )  # fmt: skip
        sweeps = [
            Sweep("L", datetime(2031, 2, 1 + k, 20 + n, tzinfo=UTC), 0.0, 2.0, list(range(8860, 9141, 35)))
            for n in range(runs)
        ]
        folder = tmp_path_factory.mktemp(f"night{k}")
        write_night(folder, scene, sweeps, rng, suffix=".fits")
        out.append(folder)
    return out


def test_runs_logged_before_make_a_faint_run_surer(nights):
    rig = RigFile(rig=HERON)
    bright = focuskit.analyse(nights[0], rig_file=rig, workers=1)
    logged = [run.logged() for run in bright.runs]
    for run in logged:
        assert abs(run.spherical.path_um / 0.55 - WAVES) < 4 * run.spherical.err_um / 0.55
    alone = focuskit.analyse(nights[1], rig_file=rig, workers=1).runs[0]
    helped = focuskit.analyse(nights[1], rig_file=rig, workers=1, history=logged).runs[0]
    assert helped.profile.spherical_err < 0.5 * alone.profile.spherical_err
    assert helped.profile.err < alone.profile.err
    assert abs(helped.profile.best_position - 9000.0) < 3.5 * helped.profile.err
    # Not of another rig, and not what was set aside.
    for other in ([replace(run, rig="Egret") for run in logged], [replace(run, excluded=True) for run in logged]):
        assert focuskit.analyse(nights[1], rig_file=rig, workers=1, history=other).to_json() == (
            focuskit.analyse(nights[1], rig_file=rig, workers=1).to_json()
        )


def test_a_run_does_not_learn_from_itself(nights):
    rig = RigFile(rig=HERON)
    bright = focuskit.analyse(nights[0], rig_file=rig, workers=1)
    again = focuskit.analyse(nights[0], rig_file=rig, workers=1, history=[run.logged() for run in bright.runs])
    assert again.to_json() == bright.to_json()


def test_pooling_takes_the_wide_prior_once():
    # Runs that saw nothing hold the prior only: nothing is learned from many of them.
    nothing = Spherical(0.0, SPHERICAL_PRIOR[1] * 0.55, 0.55)
    assert pool_spherical([nothing] * 50, 0.55)[1] == pytest.approx(SPHERICAL_PRIOR[1], rel=1e-6)
    # The aberration is a length: in waves it goes with the wavelength.
    sharp = Spherical(0.0165, 1e-4, 0.55)
    assert pool_spherical([sharp, sharp], 0.66)[0] == pytest.approx(0.025, rel=1e-3)
    # Runs that disagree widen the error: 3 sigma apart each, by 3.
    apart = [Spherical(0.01 - 3e-4, 1e-4, 0.55), Spherical(0.01 + 3e-4, 1e-4, 0.55)]
    assert pool_spherical(apart, 0.55)[1] == pytest.approx(3e-4 / 0.55, rel=0.01)


@pytest.mark.parametrize("seed", [31, 32])
def test_step_holds_what_is_not_known_of_the_optics(seed):
    """Step and obstruction not given, or an obstruction and a focal ratio a little wrong: 4 µm within two errors."""
    rng = np.random.default_rng(seed)
    profiles, _ = synthetic_run(rng, spherical_waves=0.02)
    for believed in ({"obstruction": None}, {"obstruction": 0.38}, {"aperture_mm": 206.0}):
        rig = replace(HERON, um_per_step=None, **believed)
        [(fit, _)] = fit_night([RunProfiles(tuple(profiles), tuple(range(9)), rig, WAVELENGTH_UM)])
        assert abs(fit.um_per_step - 4.0) < 2.0 * fit.um_per_step_err
        assert fit.um_per_step_err < 0.05 * 4.0


@pytest.mark.parametrize("exponent", [1.35, 1.9])
def test_single_frames_have_wings_of_their_own(exponent):
    """Seeing with wider or narrower wings than Kolmogorov's, 250 µm out: distance and width are right."""
    rng = np.random.default_rng(77)
    frame = synthetic_frame(0.0, 250.0, 15.0, rng, noise=1e-4)
    model = profile_model(RIG.f_ratio, RIG.obstruction, RIG.pixel_um, WAVELENGTH_UM, 45.0)
    otf = model.optics(np.array([250.0 / model.um_per_wave]), 0.0).otf[:, 0]
    flux = model.kernel(frame.bins) @ (otf * model.seeing(15.0, exponent)[0][:, 0])
    frame = replace(frame, flux=flux + np.sqrt(frame.variance) * rng.standard_normal(flux.size))
    found = measure_defocus(frame, RIG, WAVELENGTH_UM, (0.0, 1e-4))
    assert abs(found.defocus_um - 250.0) < 3.0 * found.defocus_err_um
    assert found.defocus_err_um < 10.0
    assert found.seeing_um == pytest.approx(15.0 * fwhm_factor(exponent), rel=0.03)
    assert found.chi2_reduced < 2.0
