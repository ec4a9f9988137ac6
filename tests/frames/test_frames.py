"""Frames: files of every kind are read to the same pixels; broken and hostile ones end in one line."""

import bz2
import gzip
import os
import pickle
import random
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from astropy.utils.data import get_pkg_data_filename

from focuskit.core.errors import FocuskitError
from focuskit.core.optics import Rig
from focuskit.frames import FrameInfo, Limits, read_frame, read_pixels
from focuskit.frames.frame import find_frames, read_frame_info
from focuskit.frames.rig_file import rig_from_table

DTYPES = ["u1", "i1", "i2", "u2", "i4", "u4", "i8", "f4", "f8"]
CARDS = {
    "FOCUSPOS": 5000, "FOCTEMP": 8.1, "CCD-TEMP": -10.0, "FILTER": "L", "EXPTIME": 2.0,
    "DATE-OBS": "2031-03-04T20:10:00", "INSTRUME": "Skarv 26M", "XBINNING": 1, "YBINNING": 1,
    "XPIXSZ": 3.76, "FOCALLEN": 1400.0, "APTDIA": 200.0,
}  # fmt: skip


def image_of(dtype, shape=(37, 41), seed=1):
    """Return random pixels over the whole range of a type."""
    rng = np.random.default_rng(seed)
    kind = np.dtype(dtype)
    if kind.kind == "f":
        return rng.normal(1000.0, 300.0, shape).astype(kind)
    limits = np.iinfo(kind)
    return rng.integers(limits.min, limits.max, shape, dtype=kind, endpoint=True)


def write(path, image, cards=CARDS, compression=None):
    header = fits.Header(list(cards.items()))
    if compression:
        hdu = fits.CompImageHDU(image, header, compression_type=compression)
        fits.HDUList([fits.PrimaryHDU(), hdu]).writeto(path)
    else:
        fits.PrimaryHDU(image, header).writeto(path)
    return path


def fails(path, message, **arguments):
    """Check that a file ends in one line that names it, whether or not the pixels are asked for."""
    with pytest.raises(FocuskitError, match=message) as caught:
        read_frame(path, **arguments)
    assert str(caught.value).startswith(f"{Path(path).name}: ")
    assert str(caught.value).isprintable()


@pytest.mark.parametrize("dtype", DTYPES)
def test_every_type_of_pixel_is_read_as_written(tmp_path, dtype):
    image = image_of(dtype)
    info, pixels = read_frame(write(tmp_path / "a.fits", image))
    assert info.shape == pixels.raw.shape == image.shape
    # 64-bit integers do not fit into a float; both sides are rounded alike
    np.testing.assert_array_equal(pixels.physical(), image.astype(np.float64))
    assert pixels.blank is None
    assert not pixels.raw.flags.writeable


def test_integers_are_not_converted(tmp_path):
    _, pixels = read_frame(write(tmp_path / "a.fits", image_of("u2")))
    assert pixels.raw.dtype == np.dtype(">i2")
    assert (pixels.zero, pixels.scale) == (32768.0, 1.0)


def test_info_and_pixels_come_alone_too(tmp_path):
    path = write(tmp_path / "a.fits", image_of("u2"))
    info, pixels = read_frame(path, root=tmp_path)
    assert read_frame_info(path, root=tmp_path) == info
    np.testing.assert_array_equal(read_pixels(path).raw, pixels.raw)
    assert pickle.loads(pickle.dumps(info)) == info
    assert (info.position, info.temperature_c, info.filter, info.exposure_s) == (5000.0, 8.1, "L", 2.0)
    assert (info.name, info.path) == ("a.fits", str(path))


@pytest.mark.parametrize("pack, ending", [(gzip.compress, ".gz"), (bz2.compress, ".bz2")])
def test_packed_files_are_the_same(tmp_path, pack, ending):
    path = write(tmp_path / "a.fits", image_of("u2"))
    packed = tmp_path / ("b.fits" + ending)
    packed.write_bytes(pack(path.read_bytes()))
    info, pixels = read_frame(packed)
    assert info.position == 5000.0
    np.testing.assert_array_equal(pixels.raw, read_pixels(path).raw)
    packed.rename(tmp_path / "c.fits")  # what is in it counts, not its name
    np.testing.assert_array_equal(read_pixels(tmp_path / "c.fits").raw, pixels.raw)


def test_bytes_after_a_packed_file_do_no_harm(tmp_path):
    path = write(tmp_path / "a.fits", image_of("u2"))
    packed = tmp_path / "b.fits.gz"
    packed.write_bytes(gzip.compress(path.read_bytes()) + b"written after the end\n" * 3)
    np.testing.assert_array_equal(read_pixels(packed).raw, read_pixels(path).raw)


@pytest.mark.parametrize("compression", ["RICE_1", "GZIP_1", "GZIP_2", "HCOMPRESS_1"])
@pytest.mark.parametrize("dtype", ["u1", "i2", "u2", "i4"])
def test_tile_compressed_integers_are_the_same(tmp_path, compression, dtype):
    image = image_of(dtype) if dtype != "i4" else image_of("i2").astype("i4")
    info, pixels = read_frame(write(tmp_path / "a.fits.fz", image, compression=compression))
    assert info.position == 5000.0
    assert pixels.raw.dtype.kind in "iu"
    assert (pixels.zero, pixels.scale) == ({"u2": 32768.0}.get(dtype, 0.0), 1.0)
    np.testing.assert_array_equal(pixels.physical(), image)


def test_tile_compressed_floats_are_as_astropy_unpacks_them(tmp_path):
    path = write(tmp_path / "a.fits.fz", image_of("f4"), compression="RICE_1")
    np.testing.assert_array_equal(read_pixels(path).physical(), fits.getdata(path))


def test_a_gzipped_tile_compressed_file_is_read(tmp_path):
    path = write(tmp_path / "a.fits.fz", image_of("u2"), compression="RICE_1")
    packed = tmp_path / "a.fits.gz"
    packed.write_bytes(gzip.compress(path.read_bytes()))
    np.testing.assert_array_equal(read_pixels(packed).physical(), image_of("u2"))


def test_the_same_real_image_plain_and_compressed_is_bit_for_bit_the_same():
    def shipped(name):
        return get_pkg_data_filename(f"hdu/compressed/tests/data/{name}", package="astropy.io.fits")

    plain = read_pixels(shipped("m13.fits"))
    assert plain.raw.shape == (300, 300)
    for name in ("m13_rice.fits", "m13_hcomp.fits", "m13_gzip.fits", "m13_plio.fits"):
        other = read_pixels(shipped(name))
        np.testing.assert_array_equal(other.raw, plain.raw)
        assert (other.zero, other.scale, other.blank) == (plain.zero, plain.scale, plain.blank)


@pytest.mark.parametrize("name", ["fixed-1890.fits", "blank.fits", "scale.fits", "checksum_false.fits"])
def test_files_with_a_history_are_read_as_astropy_reads_them(name):
    path = get_pkg_data_filename(f"tests/data/{name}", package="astropy.io.fits")
    with fits.open(path) as hdus:
        expected = hdus[0].data.astype(np.float64)
    np.testing.assert_allclose(read_pixels(path).physical(), expected, rtol=1e-7)


def test_scaled_and_blank_integers(tmp_path):
    hdu = fits.PrimaryHDU(np.array([[1, 2], [-99, 4]], dtype="i2"))
    hdu.header["BLANK"] = -99
    hdu.writeto(tmp_path / "a.fits")
    data = bytearray((tmp_path / "a.fits").read_bytes())
    at = data.find(b"END" + b" " * 77)
    data[at : at + 240] = b"BZERO   = 10.0".ljust(80) + b"BSCALE  = '0.5'".ljust(80) + b"END".ljust(80)
    (tmp_path / "a.fits").write_bytes(data)
    pixels = read_pixels(tmp_path / "a.fits")
    assert (pixels.zero, pixels.scale, pixels.blank) == (10.0, 0.5, -99)
    np.testing.assert_array_equal(pixels.physical(), [[10.5, 11.0], [np.nan, 12.0]])


def test_the_first_flat_image_counts_and_the_primary_header_helps(tmp_path):
    table = fits.BinTableHDU.from_columns([fits.Column("a", "J", array=np.arange(1000))])
    cube = fits.ImageHDU(np.zeros((4, 4, 5), "i2"))
    flat = fits.ImageHDU(image_of("u2"), fits.Header({"EXPTIME": 4.0}))
    empty = fits.PrimaryHDU(header=fits.Header({"FOCUSPOS": 5000, "EXPTIME": 9.0}))
    fits.HDUList([empty, table, cube, flat, fits.ImageHDU(np.zeros((9, 9)))]).writeto(tmp_path / "a.fits")
    info, pixels = read_frame(tmp_path / "a.fits")
    assert (info.position, info.exposure_s) == (5000.0, 4.0)
    np.testing.assert_array_equal(pixels.physical(), image_of("u2"))


def test_a_cube_of_one_plane_is_an_image(tmp_path):
    info, pixels = read_frame(write(tmp_path / "a.fits", image_of("u2", (1, 37, 41))))
    assert info.shape == pixels.raw.shape == (37, 41)


def test_a_rig_file_counts(tmp_path):
    rig_file = rig_from_table({"name": "Heron", "pixel_um": 2.9, "um_per_step": 4, "travel": [0, 20000]}, "rig.toml")
    info = read_frame_info(write(tmp_path / "a.fits", image_of("u2"), {**CARDS, "XBINNING": 2}), rig_file=rig_file)
    assert info.rig(rig_file) == Rig("Heron", 1400.0, 200.0, None, 5.8, 4.0, (0.0, 20000.0))


# Broken and hostile files --------------------------------------------------------------------


def plain_bytes(tmp_path):
    return write(tmp_path / "good.fits", image_of("u2", (100, 120))).read_bytes()


def changed(data, keyword, value):
    """Return a file with another value of a keyword in its first header."""
    at = data.index(keyword.ljust(8).encode() + b"=")
    return data[:at] + f"{keyword:8s}= {value}".encode().ljust(80) + data[at + 80 :]


@pytest.mark.parametrize(
    "change, message",
    [
        (lambda d: b"", "is empty"),
        (lambda d: b"\x89PNG\r\n" + bytes(3000), "is not a FITS file"),
        (lambda d: b"SIMPLE = maybe", "is not a FITS file"),
        (lambda d: changed(d, "SIMPLE", "F"), "is not a FITS file"),
        (lambda d: d[:800], "its header has no END"),
        (lambda d: d[:2880] + d[:80] * 72, "cut short"),
        (lambda d: d.replace(b"END" + b" " * 77, b"COMMENT".ljust(80)), "header"),
        (lambda d: d[:-9000], "is cut short: the image needs 24000 bytes"),
        (lambda d: changed(d, "NAXIS1", 10**6), "is cut short"),
        (lambda d: changed(d, "NAXIS1", 10**12), "over the limit of 300000000"),
        (lambda d: changed(d, "NAXIS1", 10**30), "damaged header"),
        (lambda d: changed(d, "NAXIS1", -120), "damaged header"),
        (lambda d: changed(d, "NAXIS1", "'120'"), "NAXIS1 is no integer"),
        (lambda d: changed(d, "NAXIS1", ""), "NAXIS1 is missing"),
        (lambda d: changed(d, "NAXIS1", 0), "no two-dimensional image"),
        (lambda d: changed(d, "NAXIS", 1000), "damaged header"),
        (lambda d: changed(d, "NAXIS", "T"), "NAXIS is no integer"),
        (lambda d: changed(d, "NAXIS", 1), "no two-dimensional image"),
        (lambda d: changed(d, "NAXIS", 0), "holds no image"),
        (lambda d: changed(d, "NAXIS", 3), "NAXIS3 is missing"),
        (lambda d: changed(d, "BITPIX", 17), "BITPIX = 17"),
        (lambda d: changed(d, "BZERO", "'much'"), "BZERO or BSCALE"),
        (lambda d: changed(d, "BSCALE", "0"), "BZERO or BSCALE"),
        (lambda d: changed(d, "BSCALE", "NaN"), "BZERO or BSCALE"),
    ],
)
def test_broken_files_end_in_one_line(tmp_path, change, message):
    path = tmp_path / "bad.fits"
    path.write_bytes(change(plain_bytes(tmp_path)))
    fails(path, message)


def test_a_header_without_end_is_not_read_without_bound(tmp_path):
    path = tmp_path / "bad.fits"
    path.write_bytes(b"SIMPLE  =                    T".ljust(80) + b"COMMENT".ljust(80) * 80_000)
    fails(path, "header longer than the limit of 2097152")


@pytest.mark.parametrize("cut", [1, 100, 3000])
@pytest.mark.parametrize("pack", [gzip.compress, bz2.compress])
def test_packed_files_cut_short(tmp_path, pack, cut):
    path = tmp_path / "bad.fits.gz"
    packed = pack(plain_bytes(tmp_path))
    path.write_bytes(packed[: len(packed) // cut - 100])
    fails(path, "cannot be read|is cut short|no END|is not a FITS file|is empty")


def test_packed_data_that_is_damaged(tmp_path):
    path = tmp_path / "bad.fits.gz"
    packed = bytearray(gzip.compress(plain_bytes(tmp_path)))
    packed[len(packed) // 2] ^= 255
    path.write_bytes(packed)
    fails(path, "cannot be read")


def test_a_tile_may_be_larger_than_the_image(tmp_path):
    image = image_of("i2", (24, 30))
    path = write(tmp_path / "a.fits.fz", image, compression="HCOMPRESS_1")
    assert fits.getval(path, "ZTILE2", ext=1, disable_image_compression=True) == 30
    np.testing.assert_array_equal(read_pixels(path).physical(), image)


def test_limits(tmp_path):
    path = write(tmp_path / "a.fits", image_of("u2"))
    fails(path, "over the limit of 1000", limits=Limits(file_bytes=1000))
    fails(path, "claims 41 x 37 pixels, over the limit of 1516", limits=Limits(pixels=1516))
    assert read_frame(path, limits=Limits(pixels=1517))[0].shape == (37, 41)


def test_a_gzip_bomb_is_not_unpacked(tmp_path):
    good = plain_bytes(tmp_path)
    path = tmp_path / "bomb.fits.gz"
    # A first unit of 64 MB of zeros that has to be passed over to reach the image.
    huge = changed(changed(good, "NAXIS", 1), "NAXIS1", 2**25)
    path.write_bytes(gzip.compress(huge[:2880] + bytes(2**26) + good))
    fails(path, "unpacks to more than the limit of 10000000", limits=Limits(unpacked_bytes=10**7))


def test_a_tile_bomb_is_not_unpacked(tmp_path, monkeypatch):
    path = write(tmp_path / "a.fits.fz", image_of("i2", (64, 64)), compression="GZIP_1")
    with fits.open(path, disable_image_compression=True) as hdus:
        table = hdus[1]
        # one tile of 8 MB where 128 bytes belong
        bomb = gzip.compress(bytes(2**23))
        tiles = [bytes(table.data["COMPRESSED_DATA"][i].tobytes()) for i in range(64)]
        tiles[7] = bomb
        column = fits.Column(
            "COMPRESSED_DATA", "QB", array=np.array([np.frombuffer(t, "u1") for t in tiles], dtype=object)
        )
        keep = {k: table.header[k] for k in table.header if k.startswith("Z")}
        fits.BinTableHDU.from_columns([column], header=fits.Header(keep)).writeto(tmp_path / "bomb.fz")
    monkeypatch.setattr("gzip.decompress", None)  # the unbounded way in is never taken
    fails(tmp_path / "bomb.fz", "a tile unpacks to more than its header says")


@pytest.mark.parametrize("byte", [1, 5, 9])
def test_an_h_compressed_tile_that_lies_about_its_size_is_refused(tmp_path, byte):
    # the library that unpacks it writes past its memory and ends the process
    path = write(tmp_path / "a.fits.fz", image_of("i2"), compression="HCOMPRESS_1")
    data = bytearray(path.read_bytes())
    data[data.index(b"\xdd\x99\0\0") + byte] ^= 16
    path.write_bytes(data)
    fails(path, "a tile does not have the size that its header says")


@pytest.mark.parametrize("tile", [0, -1, 10**9, 10**30, "'x'"])
def test_tiles_without_bound_are_refused(tmp_path, tile):
    path = write(tmp_path / "a.fits.fz", image_of("u2"), compression="RICE_1")
    data = path.read_bytes()
    path.write_bytes(changed(data, "ZTILE1", tile))
    fails(path, "ZTILE1|tiles of 1000000000 pixels")


def test_what_is_not_a_file(tmp_path):
    os.mkfifo(tmp_path / "pipe.fits")
    fails(tmp_path / "pipe.fits", "is not a regular file")
    fails(tmp_path / "none.fits", "cannot be read")
    fails(tmp_path, "is not a regular file")


@pytest.mark.parametrize("compression", [None, "RICE_1", "GZIP_1", "HCOMPRESS_1"])
def test_mutated_files_are_read_or_named(tmp_path, compression):
    good = write(tmp_path / "good.fits", image_of("i2", (24, 30)), compression=compression).read_bytes()
    rng = random.Random(17)
    path = tmp_path / "bad.fits"
    outcomes = set()
    for _ in range(250):
        data = bytearray(good)
        for _ in range(rng.choice([1, 3, 30])):
            data[rng.randrange(len(data))] = rng.randrange(256)
        if rng.random() < 0.2:
            del data[rng.randrange(len(data)) :]
        path.write_bytes(data)
        try:
            info, pixels = read_frame(path, limits=Limits(pixels=10**6))
            assert info.shape == pixels.raw.shape
            outcomes.add("read")
        except FocuskitError as problem:
            assert str(problem).startswith("bad.fits: ")
            assert str(problem).isprintable()
            outcomes.add("named")
    assert outcomes == {"read", "named"}


# Finding files -------------------------------------------------------------------------------


def test_finds_frames_below_a_folder(tmp_path):
    names = ["B.FITS", "a.fit", "deep/er/c.fts", "deep/d.fits.gz", "deep/e.FIT.BZ2", "f.fits.fz", "g.fz"]
    for name in [*names, "notes.txt", ".hidden.fits", ".trash/h.fits", "x.gz", "fits", "a.fits.txt"]:
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(b"x")
    found, not_used = find_frames([tmp_path])
    assert [f.name for f in found] == sorted(names)
    assert [f.path for f in found] == [str(tmp_path / name) for name in sorted(names)]
    assert not_used == []


def test_loops_pipes_and_second_names(tmp_path):
    (tmp_path / "night").mkdir()
    (tmp_path / "night/b.fits").write_bytes(b"x")
    (tmp_path / "night/loop").symlink_to(tmp_path, target_is_directory=True)
    (tmp_path / "night/self.fits").symlink_to("self.fits")
    (tmp_path / "night/gone.fits").symlink_to("nowhere.fits")
    (tmp_path / "night/again.fits").symlink_to("b.fits")
    (tmp_path / "night/odd\n\x1b[31m.fits").write_bytes(b"x")
    os.mkfifo(tmp_path / "night/pipe.fits")
    Path(os.fsdecode(os.fsencode(tmp_path) + b"/night/\xff.fits")).write_bytes(b"x")
    found, not_used = find_frames([tmp_path, tmp_path / "night"])
    assert [f.name for f in found] == ["night/\\udcff.fits", "night/b.fits", "night/odd\\n\\x1b[31m.fits"]
    reasons = {name: why.text for name, why in not_used}
    assert "link to a folder" in reasons["night/loop"]
    assert "not a regular file" in reasons["night/pipe.fits"]
    assert "cannot be read" in reasons["night/gone.fits"]
    assert "cannot be read" in reasons["night/self.fits"]
    assert "second name" in reasons["night/again.fits"]


@pytest.mark.skipif(os.geteuid() == 0, reason="root can read every folder")
def test_a_folder_that_cannot_be_read_is_named(tmp_path):
    (tmp_path / "shut").mkdir(mode=0)
    (tmp_path / "a.fits").write_bytes(b"x")
    found, not_used = find_frames([tmp_path])
    assert [f.name for f in found] == ["a.fits"]
    assert not_used[0][0] == "shut/"


def test_a_file_may_be_named_and_a_folder_must_exist(tmp_path):
    (tmp_path / "a.fits").write_bytes(b"x")
    found, _ = find_frames([tmp_path / "a.fits", tmp_path])
    assert [f.name for f in found] == ["a.fits"]
    for wrong in (tmp_path / "none", "nul\0"):
        with pytest.raises(FocuskitError, match="cannot be read"):
            find_frames([wrong])


def test_frame_infos_can_be_made_by_hand():
    info = FrameInfo(path="/n/a.fits", name="a.fits", shape=(10, 20), position=5.0)
    assert info.rig() == Rig()


@pytest.mark.parametrize("pattern", ["RGGB", "BGGR", "GRBG", "GBRG"])
@pytest.mark.parametrize("order", ["TOP-DOWN", "BOTTOM-UP", None])
@pytest.mark.parametrize("rows", [40, 41])
def test_rows_stored_from_the_bottom_turn_the_matrix(tmp_path, pattern, order, rows):
    """The pattern is that of the upper left corner as shown; where the header is wrong about it, the pixels decide."""
    shown = np.empty((rows, 50), "u2")
    for k, colour in enumerate(pattern):
        shown[k // 2 :: 2, k % 2 :: 2] = {"R": 540, "G": 600, "B": 575}[colour]
    stored = shown[::-1] if order == "BOTTOM-UP" else shown
    noise = np.random.default_rng(1).integers(-20, 21, stored.shape)
    header = fits.Header({"BAYERPAT": pattern} | ({"ROWORDER": order} if order else {}))
    for said, image in (("right", stored + noise), ("wrong", (stored + noise)[:, 1:])):
        fits.PrimaryHDU(image.astype("u2"), header).writeto(tmp_path / f"{said}.fits")
        info, pixels = read_frame(tmp_path / f"{said}.fits")
        green = [pixels.physical()[row::2, column::2].mean() for row, column in info.sites()]
        assert green == pytest.approx([600.0, 600.0], abs=5.0)
        assert (info.bayer_said is None) is (said == "right")
    # Nothing shows where all colours are alike.
    fits.PrimaryHDU((600 + noise).astype("u2"), header).writeto(tmp_path / "even.fits")
    info, _ = read_frame(tmp_path / "even.fits")
    swapped = order == "BOTTOM-UP" and rows % 2 == 0
    assert (info.bayer, info.bayer_said) == (pattern[2:] + pattern[:2] if swapped else pattern, None)


@pytest.mark.parametrize("name", ["a.fits", "a.fits.gz", "a.fits.fz"])
def test_of_three_planes_one_colour_is_read(tmp_path, name):
    """Green where nothing is said; the pattern of the raw frame no longer holds."""
    planes = np.arange(3 * 40 * 50, dtype="u2").reshape(3, 40, 50)
    path, header = tmp_path / name, fits.Header({"BAYERPAT": "RGGB"})
    if name.endswith("fz"):
        fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(planes, header)]).writeto(path)
    else:
        fits.PrimaryHDU(planes, header).writeto(path)
    info, pixels = read_frame(path)
    assert (info.shape, info.planes, info.bayer, info.colour) == ((40, 50), 3, None, "G")
    assert (pixels.physical() == planes[1]).all()
    for colour, plane in zip("RGB", planes, strict=True):
        assert (read_pixels(path, None, info.plane(colour)).physical() == plane).all()
