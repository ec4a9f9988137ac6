"""Images in memory: masks, uncertainties, units and places of any finder, checked against photutils."""

from __future__ import annotations

import numpy as np
import pytest
from astropy import units as u
from astropy.nddata import CCDData, InverseVariance, StdDevUncertainty, VarianceUncertainty
from astropy.table import Table
from photutils.aperture import ApertureStats, CircularAperture, aperture_photometry
from photutils.centroids import centroid_2dg, centroid_sources
from photutils.detection import DAOStarFinder
from photutils.psf import CircularGaussianPRF, PSFPhotometry
from test_stars import grid, plain_frame, put_stars, true_sizes

from focuskit.core.errors import FocuskitError
from focuskit.stars import measure_image
from focuskit.stars.catalogue import STAR_FLAGS

BIT = {name: bit for bit, name, _ in STAR_FLAGS}
SKY = 800.0  # of plain_frame, its pedestal of 500 included
FRAME = plain_frame("kolmogorov").astype(float)
HFD = true_sizes("kolmogorov")[0]


def places(stars):
    return np.stack([stars["x_centroid"].value, stars["y_centroid"].value], axis=1)


def test_the_table_of_stars_goes_into_photutils():
    measured = measure_image(FRAME)
    stars = measured.stars
    assert len(stars) == 25
    assert {str(stars[name].unit) for name in ("x_centroid", "y_centroid", "hfd", "hfd_err", "fwhm")} == {"pix"}
    assert str(stars["flux"].unit) == "adu"
    # Within four half-flux diameters lies what is not in the wings: 2 % of Kolmogorov seeing.
    aperture = CircularAperture(places(stars), 4.0 * HFD)
    ratio = aperture_photometry(FRAME - measured.sky_adu, aperture)["aperture_sum"] / stars["flux"].value
    assert np.median(ratio) == pytest.approx(0.985, abs=0.01)
    centroids = centroid_sources(FRAME - SKY, *places(stars).T, box_size=15, centroid_func=centroid_2dg)
    assert np.abs(places(stars) - np.transpose(centroids)).max() < 0.05
    assert np.median(ApertureStats(FRAME - SKY, CircularAperture(places(stars), HFD)).max) == pytest.approx(
        np.median(stars["peak"].value) - SKY, rel=0.01
    )
    # As the start of a fit of the star image, with its columns and units as they are.
    fit = PSFPhotometry(CircularGaussianPRF(fwhm=4.8), (9, 9))
    fitted = fit((FRAME - SKY) << u.adu, init_params=stars["id", "x_centroid", "y_centroid", "flux"])
    assert np.abs(np.stack([fitted["x_fit"], fitted["y_fit"]], axis=1) - places(stars)).max() < 0.05


@pytest.mark.parametrize("old_names", [False, True])
def test_the_table_of_a_finder_goes_in(old_names):
    found = DAOStarFinder(200.0, 5.0)(FRAME - SKY)[::-1]
    own = measure_image(FRAME)
    start = np.stack([found["x_centroid"], found["y_centroid"]], axis=1)
    if old_names:  # as photutils 2 calls them
        found = Table(start, names=("xcentroid", "ycentroid"))
    measured = measure_image(FRAME, positions=found)
    # One row for each row that went in, in its order.
    assert len(measured.stars) == len(found) == 25
    assert np.abs(places(measured.stars) - start).max() < 0.3
    assert measured.hfd_px == pytest.approx(own.hfd_px, rel=1e-3)
    assert measured.fwhm_px == pytest.approx(own.fwhm_px, rel=3e-3)


def test_places_as_numbers_and_as_columns_of_any_kind_are_the_same():
    xy = places(measure_image(FRAME).stars)[[7, 3, 11, 12, 20]]
    expected = measure_image(FRAME, positions=xy)
    assert len(expected.stars) == 5
    x, y = xy.T
    for given in (
        xy.tolist(),
        {"xcentroid": x, "ycentroid": y},
        Table({"x_fit": x, "y_fit": y}),
        np.rec.fromarrays([x, y], names=["x", "y"]),
        Table({"x_centroid": x * u.pix, "y_centroid": y * u.pix}),
    ):
        assert np.array_equal(measure_image(FRAME, positions=given).measured.hfd_px, expected.measured.hfd_px)


def test_a_place_without_a_star_and_one_at_the_edge_keep_their_rows():
    xy = places(measure_image(FRAME).stars)
    measured = measure_image(FRAME, positions=[xy[0], (1.0, 300.0), (120.0, 121.0), *xy[1:6]]).measured
    assert measured.flag[1] == BIT["edge"]
    assert np.isnan(measured.hfd_px[1])
    assert (measured.x_px[1], measured.y_px[1]) == (1.0, 300.0)
    assert measured.flag[2] & BIT["faint"]
    assert np.flatnonzero(measured.good).tolist() == [0, 3, 4, 5, 6, 7]


def test_positions_on_an_image_of_noise_are_all_faint():
    noise = np.random.default_rng(1).normal(100.0, 5.0, (200, 200))
    measured = measure_image(noise, positions=[(50.0, 60.0), (100.0, 100.0)])
    assert (measured.count, measured.hfd_px, measured.flags) == (0, None, ("few_stars",))
    assert (measured.measured.flag & BIT["faint"]).all()
    assert "no good star of 2" in repr(measured)


@pytest.mark.parametrize("kind", ["nan", "masked array", "CCDData"])
def test_masked_pixels_do_not_count(kind):
    own = measure_image(FRAME)
    # Nine pixels beside each of the first five stars, one within each of the next five, all of absurd value.
    image, bad = FRAME.copy(), np.zeros(FRAME.shape, bool)
    column, row = np.rint(places(own.stars)).astype(int).T
    for x, y in zip(column[:5], row[:5], strict=True):
        bad[y - 1 : y + 2, x + 1 : x + 4] = True
    bad[row[5:10] + 2, column[5:10]] = True
    image[bad] = 6e4
    data = {
        "nan": np.where(bad, np.nan, image),
        "masked array": np.ma.MaskedArray(image, bad),
        "CCDData": CCDData(image, mask=bad, unit="adu"),
    }[kind]
    measured = measure_image(data, positions=own.stars)
    gaps = (measured.measured.flag & BIT["gaps"]) > 0
    assert np.flatnonzero(gaps).tolist() == [0, 1, 2, 3, 4]
    assert measured.measured.hfd_px[5:10] == pytest.approx(own.measured.hfd_px[5:10], rel=0.01)
    assert measured.hfd_px == pytest.approx(own.hfd_px, rel=5e-3)
    assert not (measured.measured.flag & BIT["saturated"]).any()


@pytest.mark.parametrize("kind", [StdDevUncertainty, VarianceUncertainty, InverseVariance])
def test_a_given_uncertainty_takes_the_place_of_the_noise(kind):
    # An image of 1 e-/ADU with noise √(light + 9), as plain_frame draws it.
    variance = np.maximum(FRAME - 500.0, 0.0) + 9.0
    array = {StdDevUncertainty: np.sqrt(variance), VarianceUncertainty: variance, InverseVariance: 1.0 / variance}[kind]
    given = measure_image(CCDData(FRAME - 500.0, unit="adu", uncertainty=kind(array))).measured
    counted = measure_image(FRAME - 500.0, gain_e_per_adu=1.0).measured
    assert given.snr == pytest.approx(counted.snr, rel=0.01)
    # photutils adds the same variances up over the same circle
    radius = 5.0
    sums = aperture_photometry(FRAME - 800.0, CircularAperture(places_of(given), radius), error=np.sqrt(variance))
    assert given.snr == pytest.approx(sums["aperture_sum"] / sums["aperture_sum_err"], rel=0.03)
    # Twice the uncertainty is half the S/N and twice the error, and nothing else.
    doubled = measure_image(
        CCDData(FRAME - 500.0, unit="adu", uncertainty=StdDevUncertainty(2.0 * np.sqrt(variance)))
    ).measured
    assert doubled.snr == pytest.approx(given.snr / 2.0, rel=1e-5)
    assert doubled.hfd_err_px == pytest.approx(2.0 * given.hfd_err_px, rel=1e-4)
    assert doubled.hfd_px == pytest.approx(given.hfd_px, rel=1e-3)


def places_of(stars):
    return np.stack([stars.x_px, stars.y_px], axis=1)


def test_electrons_bring_their_photon_noise():
    plain = measure_image(FRAME, gain_e_per_adu=1.0)
    for data in (CCDData(FRAME, unit="electron"), FRAME << u.electron):
        measured = measure_image(data)
        assert measured.unit == "electron"
        assert str(measured.stars["flux"].unit) == "electron"
        assert np.array_equal(measured.measured.hfd_err_px, plain.measured.hfd_err_px)
    assert plain.measured.snr.max() < measure_image(FRAME).measured.snr.max()
    with pytest.raises(FocuskitError, match="in electron already"):
        measure_image(CCDData(FRAME, unit="electron"), gain_e_per_adu=0.5)


def test_wide_stars_on_sums_of_pixels_with_mask_and_uncertainty():
    frame = plain_frame("donut 45").astype(float)
    own = measure_image(frame, gain_e_per_adu=1.0)
    data = CCDData(frame, unit="adu", mask=frame < 0, uncertainty=StdDevUncertainty(np.sqrt(frame - 500.0 + 9.0)))
    measured = measure_image(data)
    assert measured.hfd_px == pytest.approx(own.hfd_px, rel=1e-3)
    # Among the wings of so many wide stars the image's own noise reads a little high.
    excess = own.noise_adu / np.sqrt(309.0)
    assert 1.0 < excess < 1.06
    assert measured.measured.snr / own.measured.snr == pytest.approx(excess, rel=0.03)
    assert measured.measured.hfd_err_px / own.measured.hfd_err_px == pytest.approx(1.0 / excess, rel=0.05)


def test_bayer_data_with_places_and_uncertainty():
    image = np.zeros((900, 900))
    spots = grid(image.shape, 3)
    put_stars(image, "donut 16", spots, [1e6] * 9)
    image += np.random.default_rng(2).normal(0.0, 20.0, image.shape)
    data = CCDData(image, unit="adu", uncertainty=StdDevUncertainty(np.full(image.shape, 20.0)))
    measured = measure_image(data, bayer="RGGB", positions=spots)
    found = measure_image(image, bayer="RGGB")
    assert measured.hfd_px == pytest.approx(true_sizes("donut 16")[0], rel=0.01)
    assert np.abs(places(measured.stars) - np.array(spots)).max() < 0.7
    # The noise that was given is the noise there is.
    assert np.median(measured.measured.snr) == pytest.approx(np.median(found.measured.snr), rel=0.03)


def test_results_print_short_and_compare():
    first, second = measure_image(FRAME), measure_image(FRAME)
    assert len(repr(first)) < 200
    assert f"HFD {first.hfd_px:.3f}" in repr(first)
    assert first == first
    assert first != second


BAD = {
    "text": ("night.fits", "files are for measure_frame"),
    "nothing": (None, "not numbers"),
    "cube": (np.zeros((3, 50, 50)), r"shape \(3, 50, 50\)"),
    "empty": ([], r"shape \(0,\)"),
    "ragged": ([[1.0, 2.0], [3.0]], "no array"),
    "too small": (np.zeros((31, 99)), r"shape \(31, 99\) is not that of an image of 32 × 32"),
    "complex": (np.zeros((50, 50), complex), "complex128"),
    "yes and no": (np.zeros((50, 50), bool), "bool"),
    "all NaN": (np.full((50, 50), np.nan), "no value"),
    "all masked": (np.ma.masked_all((50, 50)), "no value"),
    "one value": (np.ones((50, 50)), "same value"),
    "no uncertainty known": (
        CCDData(FRAME, unit="adu", uncertainty=StdDevUncertainty(np.full(FRAME.shape, np.nan))),
        "errors of the data: .* 0 values",
    ),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_data_are_said_on_one_line(case):
    data, message = BAD[case]
    with pytest.raises(FocuskitError, match=message) as caught:
        measure_image(data)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "positions, message",
    [
        ([(5.0, 5.0), (600.0, 3.0)], "x = 600, y = 3"),
        ([(-0.6, 5.0)], "1 lie outside"),
        ([(np.nan, 5.0)], "outside"),
        ([], "shape"),
        ([1.0, 2.0], r"shape \(2,\)"),
        (np.zeros((4, 3)), r"shape \(4, 3\)"),
        ("here", "not numbers"),
        ({"ra": [1.0], "dec": [2.0]}, "no columns x_centroid and y_centroid but ra, dec"),
        ({"x": ["a"], "y": ["b"]}, "not numbers"),
    ],
)
def test_bad_positions_are_said_on_one_line(positions, message):
    with pytest.raises(FocuskitError, match=rf"positions: .*{message}") as caught:
        measure_image(FRAME, positions=positions)
    assert "\n" not in str(caught.value)
