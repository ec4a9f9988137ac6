"""Frames from real telescopes: sensible stars, no crash, whatever way they are stored."""

from __future__ import annotations

from pathlib import Path

import astropy.io.fits
import numpy as np
import pytest
import sep
from scipy.spatial import cKDTree

from focuskit.stars import measure_frame

# M13, 300 × 300 pixels, 16 bit, as shipped with astropy.
M13 = Path(astropy.io.fits.__file__).parent / "hdu" / "compressed" / "tests" / "data"
CCD = Path(__file__).parents[1] / "data" / "raw_ccd.fits.fz"  # source and licence beside it
SAMPLES = Path(__file__).parents[2] / "sample_data" / "night"


@pytest.mark.parametrize("name", ["m13_rice.fits", "m13_hcomp.fits", "m13_gzip.fits", "m13_plio.fits"])
def test_compression_changes_nothing(name):
    plain, packed = measure_frame(M13 / "m13.fits"), measure_frame(M13 / name)
    assert packed.hfd_px == plain.hfd_px
    assert packed.hfd_err_px == plain.hfd_err_px
    assert packed.fwhm_px == plain.fwhm_px
    for column in plain.stars.colnames:
        assert np.array_equal(packed.stars[column], plain.stars[column], equal_nan=True)


def test_stars_of_m13_are_where_sep_finds_them():
    frame = measure_frame(M13 / "m13.fits")
    data = astropy.io.fits.getdata(M13 / "m13.fits").astype(np.float32)
    sky = sep.Background(data)
    found = sep.extract(data - sky.back(), 3.0, err=sky.globalrms, deblend_cont=1e-4)
    stars = frame.image.measured.take(frame.image.measured.good)
    distance, _ = cKDTree(np.stack([found["x"], found["y"]], axis=1)).query(np.stack([stars.x_px, stars.y_px], axis=1))
    assert len(stars) > 80
    assert np.mean(distance < 1.5) > 0.9
    # Crowding swells the radii of sep here (median of the brighter stars, HFD 4.4): ours are of stars that stand alone.
    assert 2.5 < frame.hfd_px < 4.4
    assert frame.fwhm_px < frame.hfd_px


def test_cosmic_rays_of_a_raw_frame_are_not_stars():
    # Two bright stars and up to three faint ones between cosmic rays of one or two pixels, all ten pixels wide: rings
    # about them, after a median filter, fall to half within 3 to 4 pixels; the faintest has 14 counts in its middle.
    frame = measure_frame(CCD)
    stars = frame.image.measured.take(frame.image.measured.good)
    # A ray may look like a faint star, of a size that is known to 40 %.
    known = stars.hfd_err_px < 0.1 * stars.hfd_px
    assert 2 <= known.sum() <= 5
    assert len(stars) <= 6
    assert np.all((stars.hfd_px[known] > 8.0) & (stars.hfd_px[known] < 12.0))
    # Half the light within 30 pixels of the bright ones is within circles of 10.4 and 9.5 pixels.
    assert abs(frame.hfd_px - 9.95) < min(frame.hfd_err_px, 1.0)
    places = cKDTree(np.stack([stars.x_px, stars.y_px], axis=1))
    assert places.query([(450.9, 433.8), (169.3, 38.2)])[0].max() < 1.0
    # The rings above give 6 to 8 pixels; one cosmic ray among the stars took every width away, and a flag said so.
    assert 6.0 < frame.fwhm_px < 8.0
    assert frame.flags == ()


def test_a_trail_leaves_the_other_stars():
    # the made-up night: frame 32 has a satellite's trail across; its neighbours show 30 and 36 good stars
    frame = measure_frame(SAMPLES / "frame_0032.fits.fz")
    before, after = (measure_frame(SAMPLES / f"frame_00{k}.fits.fz") for k in (31, 33))
    assert frame.image.count >= 20
    assert after.hfd_px < frame.hfd_px < before.hfd_px
