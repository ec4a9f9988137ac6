"""Errors, weights and thresholds of the stars, each against a closed form or a count made by hand."""

from __future__ import annotations

import hashlib
import math
from types import SimpleNamespace

import numpy as np
import pytest

from focuskit.stars import growth, run_key
from focuskit.stars.catalogue import MeasuredImage, Stars, typical_size
from focuskit.stars.checks import doubled, drawn_out, has_neighbour, least_snr, outlying
from focuskit.stars.cutouts import lies_inside, sum_squares
from focuskit.stars.detect import Peaks, SkyMap, clipped_means
from focuskit.stars.faint import Registered, join_registered, search_plan
from focuskit.stars.growth import _robust_mean
from focuskit.stars.match import CommonSizes, StarMatch, common_sizes, match_stars, part_table
from focuskit.stars.measure import MeasuredFrame
from focuskit.stars.stamps import RadialSums, half_flux_radius, size_error, without_pixel


def stars(x, y, hfd=4.0, flux=1000.0, snr=50.0, flag=0):
    n = len(x)

    def column(value):
        return np.broadcast_to(np.asarray(value, float), n).copy()

    return Stars(
        *(column(v) for v in (x, y, hfd, 0.05, 3.5, flux, snr, 500.0, 0.02, 10.0)),
        np.broadcast_to(np.asarray(flag), n).copy(),
    )


def image_of(measured, hfd=4.0, err=0.1, fwhm=3.5):
    return MeasuredImage(
        measured, hfd, err, fwhm, 0.1, int(measured.good.sum()), SkyMap(np.ones((1, 1)), (9, 9), 1), 3.0
    )


# Errors --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("growth", [1.0, 1.3])
def test_error_of_a_size_from_the_sky_is_that_of_many_draws(growth):
    # The size solves F(r) = growth/2 · F(R): noise in both circles moves it by the slope.
    rng = np.random.default_rng(1)
    within, around = rng.normal(0.0, 5.0, 40_000), rng.normal(0.0, 9.0, 40_000)
    moved = 2.0 * (within - 0.5 * growth * (within + around)) / 40.0
    error = size_error(np.array([40.0]), growth, 25.0, 25.0 + 81.0, 0.0)
    assert error[0] == pytest.approx(np.std(moved), rel=0.015)


@pytest.mark.parametrize("growth", [1.0, 1.2])
def test_error_of_a_size_from_photons_is_that_of_many_draws(growth):
    # Half of all light inside; of 1,000 photons in the aperture that is more than 500 where some lie beyond it.
    rng = np.random.default_rng(2)
    inner, outer = (rng.poisson(mean, 40_000) for mean in (500.0 * growth, 1000.0 - 500.0 * growth))
    moved = 2.0 * (inner - 0.5 * growth * (inner + outer)) / 40.0
    assert size_error(np.array([40.0]), growth, 0.0, 0.0, 1000.0)[0] == pytest.approx(np.std(moved), rel=0.015)


def test_error_of_a_size_falls_with_the_slope():
    one, two = size_error(np.array([10.0, 20.0]), 1.1, 3.0, 8.0, 5.0)
    assert one == pytest.approx(2.0 * two)
    # all by hand: 3 · (1 - 1.1) + 1.21/4 · 8 + 1.1 · 0.9/4 · 5
    assert one == pytest.approx(2.0 * math.sqrt(-0.3 + 2.42 + 1.2375) / 10.0)


def test_a_median_of_equal_weights_has_the_error_of_theory():
    # n stars of scatter s: √(π/2) s/√n, and half a per cent that all share.
    rng = np.random.default_rng(3)
    sizes = rng.normal(5.0, 0.2, 400)
    value, error = typical_size(sizes, np.full(400, 1e-6))
    scatter = 1.482602 * np.median(np.abs(sizes - np.median(sizes)))
    assert error == pytest.approx(math.hypot(math.sqrt(math.pi / 2) * scatter / 20.0, 0.005 * value), rel=1e-6)
    assert value == pytest.approx(np.median(sizes), abs=0.002)
    # over many draws the values scatter by that much
    values = [typical_size(rng.normal(5.0, 0.2, 60), np.full(60, 1e-6))[0] for _ in range(600)]
    assert np.std(values) == pytest.approx(math.sqrt(math.pi / 2 / 60) * 0.2, rel=0.1)


def test_stars_with_large_errors_hardly_count():
    # Two precise stars against nine poor ones: the weights are 1/(error² + scatter²).
    sizes = np.array([4.0, 4.02, 5.0, 5.1, 5.2, 4.9, 4.8, 5.3, 4.7, 5.05, 4.95])
    errors = np.array([0.01, 0.01, *[3.0] * 9])
    value, error = typical_size(sizes, errors)
    assert 4.0 <= value < 4.1
    # The scatter is no less than 0.3 % of the size: it and the errors leave two stars' worth.
    floor = (0.003 * np.median(sizes)) ** 2
    weight = float(np.sum(1.0 / (errors**2 + floor)))
    assert error == pytest.approx(math.hypot(math.sqrt(math.pi / 2 / weight), 0.005 * value), rel=1e-9)
    # Errors that explain the scatter are taken off it: of stars without any of their own, each counts by its error.
    both = np.array([5.0, 5.0, 5.0, 5.6])
    assert typical_size(both, np.array([0.1, 0.1, 0.1, 0.01]))[0] > 5.2


def test_half_a_weight_lies_on_either_side():
    value, _ = typical_size(np.array([1.0, 2.0, 3.0, 4.0, 5.0]), np.full(5, 1e-9))
    assert value == pytest.approx(3.0)
    value, _ = typical_size(np.array([2.0, 2.0, 4.0, 4.0]), np.full(4, 1e-9))
    assert value == pytest.approx(3.0)


def test_pixels_are_taken_out_as_squares():
    # One sensor pixel stays of two: HFD² - excess · (2 - 1); on sums of 2×2 and 4×4 less than two elements go.
    assert without_pixel(np.array([5.0]), 0.5, 1)[0] == pytest.approx(math.sqrt(25.0 - 0.5))
    assert without_pixel(np.array([5.0]), 0.5, 2)[0] == pytest.approx(math.sqrt(25.0 - 0.5 * 1.75))
    assert without_pixel(np.array([5.0]), 0.4, 4)[0] == pytest.approx(math.sqrt(25.0 - 0.4 * (2.0 - 1.0 / 16.0)))
    assert without_pixel(np.array([0.1]), 0.5, 1)[0] == pytest.approx(0.5)


# Sums ----------------------------------------------------------------------------------------------


def test_sums_between_radii_are_interpolated_by_cubics():
    edges = np.arange(12) * 0.5
    sums = RadialSums(np.stack([edges**2, 3.0 * edges**2]), np.pi * np.stack([edges, edges]) ** 2, 0.5)
    # A square is a cubic: exact, at the centre by the mirror image too.
    for radius in (0.1, 0.25, 1.3, 4.77):
        assert sums.at(radius) == pytest.approx([radius**2, 3.0 * radius**2], rel=1e-9)
    assert sums.at(np.array([1.0, 2.0])) == pytest.approx([1.0, 12.0])
    # Beyond the last radius it stays what it was there.
    assert sums.at(99.0) == pytest.approx(sums.at(5.5), rel=1e-5)
    brightness, middle = sums.profile()
    # even light, at the mean radius of each ring: 2/3 (b³ - a³)/(b² - a²)
    assert brightness[0, 1:] == pytest.approx(1.0 / np.pi)
    assert middle[:2] == pytest.approx([1.0 / 3.0, 2.0 / 3.0 * (1.0 - 0.125) / 0.75])


def test_half_of_the_light_and_its_slope_in_closed_form():
    edges = np.arange(60) * 0.25
    flux = 100.0 * (1.0 - np.exp(-(edges**2) / 18.0))  # a Gaussian of σ = 3
    sums = RadialSums(flux[None], np.pi * edges[None] ** 2, 0.25)
    radius, slope = half_flux_radius(sums, np.array([50.0]))
    assert radius[0] == pytest.approx(3.0 * math.sqrt(2.0 * math.log(2.0)), rel=2e-5)
    assert slope[0] == pytest.approx(50.0 * radius[0] / 9.0, rel=2e-3)
    # With light added everywhere: half is reached where flux + p π r² is half.
    radius, _ = half_flux_radius(sums, np.array([50.0]), np.array([0.2]))
    assert 100.0 * (1.0 - math.exp(-(radius[0] ** 2) / 18.0)) + 0.2 * math.pi * radius[0] ** 2 == pytest.approx(
        50.0, rel=5e-5
    )


@pytest.mark.parametrize("bins", [1, 2, 4])
def test_another_image_is_cut_under_the_same_stamps(bins):
    image = np.random.default_rng(1).uniform(0.0, 1.0, (80, 90)).astype(np.float32)
    # A stamp whose middle element covers the pixels 40 … 40 + bins - 1.
    middle = 40.0 + (bins - 1) / 2.0
    found = sum_squares(image, np.array([middle + 4.0]), np.array([middle]), 3, bins)[0]
    for row in range(7):
        for column in range(7):
            top, left = 40 + bins * (row - 3), 44 + bins * (column - 3)
            assert found[row, column] == pytest.approx(image[top : top + bins, left : left + bins].sum(), rel=1e-5)


def test_what_lies_inside_is_so_far_from_every_edge():
    x = np.array([5.0, 4.9, 14.0, 14.1, 9.0, 9.0])
    y = np.array([5.0, 9.0, 24.0, 9.0, 24.1, 4.9])
    assert lies_inside((30, 20), x, y, 5.0).tolist() == [True, False, True, False, False, False]


def test_middle_halves_of_rows():
    # All of 0 … 99: the middle half of what lies within 2.5 σ, σ from the lower quartile, is symmetric.
    rows = np.stack([np.arange(100.0), np.arange(100.0)[::-1]])
    assert clipped_means(rows) == pytest.approx(50.0, abs=0.6)
    # Far outliers above are cut, however many values they are up to a third.
    assert clipped_means(np.concatenate([np.arange(100.0), np.full(40, 1e5)])[None])[0] == pytest.approx(69.0, abs=20.0)
    # A row of two values next to each other: all that is near counts.
    assert clipped_means(np.array([[5.0] * 70 + [6.0] * 30]))[0] == pytest.approx(5.0)


def test_one_far_value_does_not_enter_a_mean_of_profiles():
    rng = np.random.default_rng(4)
    values, weight = rng.normal(0.2, 0.001, (30, 2)), rng.uniform(1.0, 2.0, 30)
    expected = np.average(values, axis=0, weights=weight**2)
    assert _robust_mean(values, weight)[0] == pytest.approx(expected, rel=1e-9)
    spoilt = np.concatenate([values, [[0.9, -0.9]]])
    assert _robust_mean(spoilt, np.append(weight, 4.0))[0] == pytest.approx(expected, rel=1e-9)


# Which stars count ---------------------------------------------------------------------------------


def test_the_growth_curve_is_that_of_the_brightest_clean_stars(monkeypatch):
    """Sizes scatter by 1 %: one bright star of twice the size is out, a faint one as wide may owe it to its noise."""

    class CutError(Exception):
        """Raised with the places of the stars that are cut out for the curve."""

    def cut(image, x, *_):
        raise CutError(x)

    rng = np.random.default_rng(31)
    count = 45
    signal = rng.permutation(np.geomspace(3.0, 3000.0, count))
    rough = 4.0 * np.exp(0.01 * rng.standard_normal(count))
    order = np.argsort(-signal)
    rough[order[[2, 44]]] = 8.0
    flag = np.zeros(count, int)
    flag[order[:2]] = 1
    monkeypatch.setattr(growth, "lies_inside", lambda shape, x, y, margin: np.ones(x.size, bool))
    monkeypatch.setattr(growth, "has_neighbour", lambda pieces, x, *_: np.zeros(x.size, bool))
    monkeypatch.setattr(growth, "star_stamps", cut)
    x = np.arange(count, dtype=float)
    light = SimpleNamespace(x=x, y=x, bins=1, rough=rough, snr=signal, size=4.0, sky=x)
    image = SimpleNamespace(pixels=SimpleNamespace(raw=np.zeros((9, 9))))
    targets = SimpleNamespace(height=signal, pieces=None, own_reach=1.0)
    with pytest.raises(CutError) as many:
        growth.frame_growth(image, targets, light, flag)
    assert many.value.args[0].tolist() == order[3:43].tolist()
    flag[order[3:40]] = 1
    with pytest.raises(CutError) as few:
        growth.frame_growth(image, targets, light, flag)
    assert few.value.args[0].tolist() == order[40:].tolist()


def test_the_least_signal_follows_the_twelfth_brightest():
    assert least_snr(np.array([500.0] * 11)) == 7.0
    assert least_snr(np.array([500.0] * 11 + [13.0, 3.0])) == 13.0
    assert least_snr(np.array([500.0] * 12 + [3.0] * 50)) == 20.0
    assert least_snr(np.array([500.0] * 11 + [6.0] * 9)) == 7.0


def test_neighbours_count_from_a_fiftieth_of_the_star_and_between_two_distances():
    around = Peaks(
        x=np.array([100.0, 110.0, 200.0, 216.0, 300.0, 303.0, 400.0, 410.0]),
        y=np.full(8, 50.0),
        significance=np.array([1000.0, 21.0, 1000.0, 900.0, 1000.0, 900.0, 1000.0, 19.0]),
        box_px=np.full(8, 3.0),
        contrast=np.ones(8),
    )
    found = has_neighbour(
        around, np.array([100.0, 200.0, 300.0, 400.0]), np.full(4, 50.0), np.full(4, 1000.0), 5.0, 15.0
    )
    # bright enough and near; too far; a piece of the star itself; too faint
    assert found.tolist() == [True, False, False, False]


def test_of_two_peaks_on_one_star_the_later_goes():
    assert doubled(np.array([10.0, 50.0, 12.0]), np.array([10.0, 50.0, 11.0]), 3.0).tolist() == [False, False, True]
    assert not doubled(np.array([10.0, 50.0, 14.0]), np.array([10.0, 50.0, 11.0]), 3.0).any()


def test_values_far_from_the_others_lie_outside():
    values = np.array([0.0, 0.1, -0.1, 0.05, -0.05, 1.0])
    sample = np.array([True] * 5 + [False])
    # scatter 1.4826 · 0.05, and 0.01 for good: 3.5 of them are 0.2617
    assert outlying(values, sample, 0.0).tolist() == [False] * 5 + [True]
    reach = 3.5 * math.sqrt((1.482602 * 0.05) ** 2 + 0.01**2)
    for off, expected in ((0.999 * reach, False), (1.001 * reach, True)):
        assert outlying(np.append(values[:5], off), sample, 0.0)[5] == expected
    # a star's own error widens its bounds
    wide = 3.5 * math.sqrt((1.482602 * 0.05) ** 2 + 0.01**2 + 0.3**2)
    for off, expected in ((0.999 * wide, False), (1.001 * wide, True)):
        assert outlying(np.append(values[:5], off), sample, np.full(6, 0.3))[5] == expected
    assert not outlying(values, np.array([True, True, False, False, False, False]), 0.0).any()


def test_trails_are_long_or_go_on_beyond_the_aperture():
    n = 12
    sample, snr = np.ones(n, bool), np.full(n, 1e6)
    ellipticity, beyond = np.full(n, 0.05), np.full(n, 1.10)
    ellipticity[0] = 0.7  # drawn out by itself
    ellipticity[1], beyond[1] = 0.12, 1.10 + 0.13  # hardly, but its light goes on
    ellipticity[2], beyond[2] = 0.09, 1.10 + 0.13  # round: other light beside it
    beyond[3] = 1.10 + 0.055  # less than the 0.03 + 0.3 · 0.10 that count
    beyond[4] = 1.10 + 0.065
    ellipticity[5], beyond[5] = 0.12, 1.10 + 0.115
    long, beside = drawn_out(ellipticity, beyond, snr, sample)
    assert np.flatnonzero(long).tolist() == [0, 1]
    assert np.flatnonzero(beside).tolist() == [1, 2, 4, 5]
    # Noise in the light beyond: 3.5 of it are no excess.
    long, beside = drawn_out(ellipticity, beyond, np.full(n, 35.0), sample)
    assert np.flatnonzero(beside).tolist() == []
    nobody = drawn_out(ellipticity, beyond, snr, ~sample)
    assert not nobody[0].any()
    assert not nobody[1].any()


# Frames of a run -----------------------------------------------------------------------------------


def test_tables_part_into_frames_and_stars():
    frames, brightness = np.array([0.3, -0.2, 0.0, 1.0]), np.array([2.0, -1.0, 0.0, 5.0, -3.0])
    values = frames[:, None] + brightness
    values[1, 2] = values[3, 0] = np.nan
    values[2, 4] += 50.0  # one bad value
    found = part_table(values)
    assert found[0] - found[0][2] == pytest.approx(frames)
    assert found[1] == pytest.approx(brightness - np.median(brightness))
    nothing = part_table(np.array([[1.0, np.nan], [np.nan, np.nan]]))
    assert np.isnan(nothing[0][1])
    assert np.isnan(nothing[1][1])


def shifted_run():
    rng = np.random.default_rng(5)
    x, y = rng.uniform(0.0, 1000.0, (2, 30))
    flux = 10.0 ** rng.uniform(3.0, 5.0, 30)
    shifts, light, growth = [(0.0, 0.0), (4.0, -3.0), (21.0, 35.0)], [1.0, 0.5, 2.0], [1.0, 1.5, 0.8]
    images = []
    for (dx, dy), part, size in zip(shifts, light, growth, strict=True):
        hfd = 4.0 * size * (1.0 + 0.1 * x / 1000.0)
        images.append(image_of(stars(x + dx, y + dy, hfd, part * flux), hfd=float(np.median(hfd)), fwhm=3.5 * size))
    return images, x, y, flux


def test_stars_are_found_again_wherever_the_frame_has_moved():
    images, x, y, flux = shifted_run()
    match = match_stars(images)
    assert match.shift_px - match.shift_px[0] == pytest.approx(np.array([(0.0, 0.0), (4.0, -3.0), (21.0, 35.0)]))
    assert match.x_px + match.shift_px[0, 0] == pytest.approx(x)
    assert match.y_px + match.shift_px[0, 1] == pytest.approx(y)
    assert match.strength == pytest.approx([1.0, 0.5, 2.0])
    assert np.outer(match.strength, match.brightness) == pytest.approx(np.outer([1.0, 0.5, 2.0], flux))
    assert match.sound.all()
    assert match.common.all()


def test_bright_stars_decide_where_a_frame_lies():
    images, x, y, _ = shifted_run()
    # One star is off by 2 px, with a hundred times the S/N of all others.
    other = stars(x + 4.0, y - 3.0)
    other.x_px[0] += 2.0
    for image in (images[0].measured, other):
        image.snr[0] *= 100.0
    match = match_stars([images[0], image_of(other)])
    step = (match.shift_px[1] - match.shift_px[0])[0]
    assert 5.5 < step < 6.0
    # One that was mistaken for another, 3 px off or more, has no say however bright.
    other.x_px[0] += 1.3
    match = match_stars([images[0], image_of(other)])
    assert (match.shift_px[1] - match.shift_px[0])[0] == pytest.approx(4.0, abs=0.01)


def test_stars_that_are_saturated_or_crowded_anywhere_are_not_sound():
    images, x, y, _ = shifted_run()
    spoilt = stars(x + 4.0, y - 3.0, flag=np.where(np.arange(30) == 7, 1, np.where(np.arange(30) == 9, 2, 0)))
    faint = stars(x, y, flag=np.where(np.arange(30) == 3, 4, 0))
    match = match_stars([images[0], image_of(spoilt), image_of(faint)])
    assert np.flatnonzero(~match.sound).tolist() == [7, 9]
    assert np.isnan(match.hfd_px[2, 3])
    assert np.isfinite(match_stars([images[0], image_of(spoilt), image_of(faint)], faint=True).hfd_px[2, 3])


def test_common_stars_are_seen_in_half_of_the_frames_and_two():
    hfd = np.full((5, 4), 4.0)
    hfd[4] = np.nan  # a frame without stars
    hfd[2:, 1] = hfd[1:, 2] = hfd[:2, 3] = hfd[0, 0] = np.nan
    empty = np.zeros(4)
    match = StarMatch(hfd, hfd, hfd, empty, empty, np.zeros((5, 2)), np.ones(5), np.ones(4), np.ones(4, bool))
    assert match.common.tolist() == [True, True, False, True]


def test_sizes_on_common_stars_are_freed_of_where_stars_lie():
    images, *_ = shifted_run()
    sizes = common_sizes(images, match_stars(images))
    assert sizes.hfd_px / sizes.hfd_px[0] == pytest.approx([1.0, 1.5, 0.8], rel=1e-6)
    assert sizes.fwhm_px / sizes.hfd_px == pytest.approx(np.full(3, sizes.fwhm_px[0] / sizes.hfd_px[0]), rel=1e-6)
    assert sizes.flux == pytest.approx([1.0, 0.5, 2.0])
    assert sizes.stars.tolist() == [30, 30, 30]


def test_what_sizes_are_worth_is_the_sum_of_squared_ratios():
    sizes = CommonSizes(np.array([4.0, np.nan, 9.0]), np.array([2.0, np.nan, 3.0]), *[np.ones(3)] * 3)
    assert sizes.told == pytest.approx(4.0 + 9.0)


def test_faint_runs_are_those_whose_lower_quarter_shows_few_stars():
    images, x, y, _ = shifted_run()
    few = image_of(stars(x[:4], y[:4]))
    assert search_plan([images[0]] * 7 + [few]) is None
    match, searches = search_plan([images[0]] * 5 + [few] * 3)
    assert len(searches) == 8
    assert {search.reach_px for search in searches} == {8.0}
    assert searches[0].flux_adu == pytest.approx(match.brightness)


def test_frames_measured_as_one_are_scaled_to_the_typical_one():
    empty = np.zeros(2)
    match = StarMatch(*[np.ones((3, 2))] * 3, empty, empty, np.zeros((3, 2)), np.ones(3), np.array([2.0, 4.0]), empty)
    found = [Registered(np.array([1.0, 2.0]), 5.0, 0.5, 4.0, strength, 2) for strength in (2.0, 6.0)]
    together, sizes = join_registered(match, [found[0], None, found[1]])
    assert sizes.flux == pytest.approx([0.5, np.nan, 1.5], nan_ok=True)
    assert together.strength == pytest.approx([0.5, np.nan, 1.5], nan_ok=True)
    assert together.brightness == pytest.approx([8.0, 16.0])
    assert sizes.stars.tolist() == [2, 0, 2]
    assert np.isnan(sizes.hfd_px[1])


def test_signal_of_a_frame_is_that_of_its_twentieth_star():
    def frame(snr, flag=0):
        measured = stars(np.arange(len(snr)), np.arange(len(snr)), snr=snr, flag=flag)
        return MeasuredFrame(SimpleNamespace(), image_of(measured), "")

    assert frame(np.arange(1.0, 101.0)).star_snr == 81.0
    assert frame(np.arange(1.0, 11.0)).star_snr == 5.0
    assert frame(np.array([])).star_snr is None
    assert frame(np.arange(1.0, 11.0), np.where(np.arange(10) > 4, 1, 0)).star_snr == 3.0


def test_a_run_is_known_by_its_frames_in_any_order():
    assert run_key(["b", "a"]) == run_key(["a", "b"]) == hashlib.blake2b(b"ab", digest_size=16).hexdigest()
