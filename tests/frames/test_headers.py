"""Facts from headers: names and traps as seen in public FITS headers and keyword dictionaries."""

import math
from datetime import UTC, datetime

import pytest
from astropy.io import fits
from hypothesis import given
from hypothesis import strategies as st

from focuskit.frames.fits import parse_header
from focuskit.frames.headers import ALIASES, position_from_name, read_facts, text
from focuskit.frames.rig_file import rig_from_table


def facts(cards, name="frame.fits", **rig):
    return read_facts(cards, name, rig_from_table(rig, "rig.toml"))


def cards(*lines):
    return parse_header(b"".join(line.encode("latin-1").ljust(80)[:80] for line in lines))


def test_cards_are_read_as_astropy_reads_them():
    header = fits.Header()
    header["NAXIS"] = 2
    header["FOCUSPOS"] = (5012.25, "with a comment / and a slash")
    header["TINY"] = -1.5e-7
    header["FLAG"] = True
    header["NOFLAG"] = False
    header["NAME"] = "it's 'so' / yes"
    header["BLANKS"] = "  lead"
    header["EMPTY"] = ""
    header["HIERARCH ESO TEL FOCU LEN"] = 1.4
    header["LONGTEXT"] = "long " * 40
    header["COMMENT"] = "= not a value"
    header["UNDEF"] = None
    ours = parse_header(header.tostring().encode())
    for key in header:
        if key in ("COMMENT", "UNDEF"):
            assert key not in ours
        elif isinstance(header[key], str):
            assert ours[key].strip() == header[key].strip()
        else:
            assert ours[key] == header[key]
            assert type(ours[key]) is type(header[key])


def test_cards_as_careless_writers_write_them():
    ours = cards(
        "DEXP    = 1.5D3",
        "BARE    = Ha filter / unquoted",
        "OPEN    = 'no end",
        "TIGHT   =5",
        "lower   = 7",
        "TWICE   = 1",
        "TWICE   = 2",
        "NOTHING =",
        "UMLAUT  = 'Skarvd\xe4l'",
        "END",
    )
    assert ours == {
        "DEXP": 1500.0, "BARE": "Ha filter", "OPEN": "no end", "TIGHT": 5, "LOWER": 7, "TWICE": 1,
        "UMLAUT": "Skarvd\xe4l",
    }  # fmt: skip


@pytest.mark.parametrize(
    "header, position",
    [
        ({"FOCUSPOS": 5000}, 5000.0),
        ({"FOCUSPOS": 0}, 0.0),
        ({"FOCPOS": "5000"}, 5000.0),
        ({"FOCUS": "", "FOCUSPOS": -12.5}, -12.5),
        ({"FOCUS": "", "TELFOCUS": 27.287}, 27.287),
        ({"TELFOCUS": "Cassegrain", "FOC-VAL": 7}, 7.0),
        ({"ESO TEL FOCU VALUE": 12.5}, 12.5),
        ({"FOCDMD": 4990, "FOCUSPOS": 5000}, 5000.0),
        ({"FOCDMD": 4990}, 4990.0),
        ({"FOCUSPOS": True}, None),
        ({"FOCUSPOS": "nan"}, None),
        ({"FOCUSPOS": math.inf}, None),
        ({"FOCUSPOS": 1e300}, None),
        ({"FOCUSPOS": 10**400}, None),
        ({}, None),
    ],
)
def test_position(header, position):
    assert facts(header).position == position


@pytest.mark.parametrize(
    "header, temperature_c",
    [
        ({"FOCUSTEM": 8.1, "AMBTEMP": 5.0}, 8.1),
        ({"AMBTEMP": 5.0, "FOCTEMP": "8.1"}, 8.1),
        ({"AMB-TEMP": -40.0}, -40.0),
        ({"FOCTEMP": -273.15, "AMBTEMP": 45.0}, 45.0),
        ({"FOCTEMP": 281.2}, None),
        # a sensor temperature is never the focus temperature
        ({"CCD-TEMP": -10.0, "SET-TEMP": -10.0, "CCDTEMP": 1.0, "DETTEMP": 1.0, "TEMP_SET": 1.0,
          "DET-TMP": 1.0, "CAM-TEMP": 1.0}, None),
    ],
)  # fmt: skip
def test_temperature(header, temperature_c):
    assert facts(header).temperature_c == temperature_c


@pytest.mark.parametrize(
    "header, expected",
    [
        ({"DATE-OBS": "2031-03-04T20:10:00.25"}, "2031-03-04T20:10:00.250000"),
        ({"DATE-OBS": "2031-03-04T20:10:00Z"}, "2031-03-04T20:10:00"),
        ({"DATE-OBS": "2031-03-04 20:10:00"}, "2031-03-04T20:10:00"),
        ({"DATE-OBS": "2031-03-04", "UT": "20:10:00"}, "2031-03-04T20:10:00"),
        ({"DATE-OBS": "2031-03-04", "TIME-OBS": "20:10:00.5"}, "2031-03-04T20:10:00.500000"),
        ({"DATE-OBS": "26/10/92", "UT-STR": "1:02:03"}, "1992-10-26T01:02:03"),
        ({"DATE-OBS": "", "DATE-BEG": "2031-03-04T20:10:00"}, "2031-03-04T20:10:00"),
        ({"DATE-OBS": "2031-03-04", "MJD-OBS": 62929.75}, "2031-03-04T18:00:00"),
        ({"JD": "2462930.25"}, "2031-03-04T18:00:00"),
        ({"DATE-AVG": "2031-03-04T20:10:01", "EXPTIME": 2.0}, "2031-03-04T20:10:00"),
        # a date alone is not a time
        ({"DATE-OBS": "2031-03-04"}, None),
        ({"DATE-OBS": "2031-03-04", "UT": "25:10:00"}, None),
        ({"DATE-OBS": "0001-01-01T00:00:00"}, None),
        ({"DATE-OBS": "9999-12-31T23:59:59", "EXPTIME": 10}, None),
        ({"MJD-OBS": 0.0}, None),
        ({"MJD-OBS": 1e300}, None),
        ({"DATE-OBS": 5}, None),
    ],
)
def test_time(header, expected):
    # 62929 is the modified Julian day of 2031-03-04 (astropy.time)
    time = facts(header).time
    assert time == (None if expected is None else datetime.fromisoformat(expected).replace(tzinfo=UTC))


@pytest.mark.parametrize(
    "header, name",
    [
        ({"FILTER": " Ha "}, "Ha"),
        ({"FILTER": 3}, "3"),
        ({"FILTER": 3.0}, "3"),
        ({"FILTER": "", "FILTERS": "R"}, "R"),
        ({"FILTER1": "Clear", "FILTER2": "V"}, "V"),
        ({"FILTER": "Clear"}, "Clear"),
        ({"FILTER": "None"}, None),
        ({"FILTER": "H\x1b[31m\u00e4\x07"}, "H [31m\u00e4"),
    ],
)
def test_filter(header, name):
    assert facts(header).filter == name


@pytest.mark.parametrize(
    "header, binning",
    [
        ({"XBINNING": 2, "YBINNING": 3}, (2, 3)),
        ({"XBINNING": 2}, (2, 2)),
        ({"CCDSUM": "2 1"}, (2, 1)),
        ({"BINNING": "2x2"}, (2, 2)),
        ({"BINNING": 2}, (2, 2)),
        ({"BIN-FCT1": 4, "BIN-FCT2": 4}, (4, 4)),
        ({"XBINNING": 0}, None),
        ({"CCDSUM": ""}, None),
    ],
)
def test_binning(header, binning):
    assert facts(header).binning == binning


@pytest.mark.parametrize(
    "header, rig_pixel, pixel_um",
    [
        ({"XPIXSZ": 3.76}, None, 3.76),
        ({"XPIXSZ": 7.52, "XBINNING": 2}, None, 7.52),  # after binning, the convention
        ({"PIXSIZE1": 3.76, "XBINNING": 2}, None, 7.52),  # before
        (
            {"XPIXSZ": 3.76, "PIXSIZE1": 3.76, "XBINNING": 2},
            None,
            7.52,
        ),  # so XPIXSZ is before
        ({"XPIXSZ": 3.76, "XBINNING": 2}, 3.76, 7.52),  # and so does the rig file
        ({"XPIXSZ": 7.52, "XBINNING": 2}, 3.76, 7.52),
        ({}, 3.76, 3.76),
        ({"CCDXPIXE": 1.35e-5}, None, 13.5),  # metres
        ({"PIXSIZE1": 0.0135}, None, 13.5),  # millimetres
        ({"XPIXSZ": 0}, None, None),
    ],
)
def test_pixel_size(header, rig_pixel, pixel_um):
    rig = {} if rig_pixel is None else {"pixel_um": rig_pixel}
    result = facts(header, **rig).pixel_um
    assert result == (None if pixel_um is None else pytest.approx(pixel_um, rel=1e-12))


def test_optics_with_zero_for_unknown():
    found = facts({"FOCALLEN": 0.0, "APTDIA": 0, "FOCUSSZ": 0.0, "SATURATE": 0, "EXPTIME": 0})
    assert (found.focal_length_mm, found.aperture_mm, found.um_per_step) == (None, None, None)
    assert (found.saturation_adu, found.exposure_s) == (None, None)


@pytest.mark.parametrize(
    "header, optics",
    [
        ({"FOCALLEN": 1400, "APTDIA": 200}, (1400, 200, None)),
        ({"ESO TEL FOCU LEN": 17.5}, (17500, None, None)),
        ({"FOCALLEN": 1400, "FOCRATIO": 7}, (1400, 200, None)),
        ({"APTDIA": 200, "FOCRATIO": 7}, (1400, 200, None)),
        ({"FOCALLEN": 1400, "APERTURE": 7.0}, (1400, None, None)),
        ({"FOCALLEN": 1400, "APERTURE": "f/7"}, (1400, None, None)),
        # area of a ring: pi/4 D^2 (1 - e^2)
        ({"APTDIA": 200, "APTAREA": math.pi / 4 * 200**2 * (1 - 0.36**2)}, (None, 200, 0.36)),
        ({"APTDIA": 200, "APTAREA": math.pi / 4 * 200**2}, (None, 200, None)),
    ],
)
def test_optics(header, optics):
    found = facts(header)
    expected = tuple(None if value is None else pytest.approx(value) for value in optics)
    assert (found.focal_length_mm, found.aperture_mm, found.obstruction) == expected


def test_the_rig_file_overrides_and_fills():
    header = {"FOCALLEN": 1000, "APTDIA": 100, "FOCUSSZ": 1.0, "MYFOC": 5, "FOCUSPOS": 6, "FILTER": "H-alpha"}
    found = facts(
        header, focal_length_mm=1400, aperture_mm=200, obstruction=0.36, um_per_step=4,
        keywords={"position": ["NOTHERE", "myfoc"]}, filters={"Ha": {"also": ["H-alpha"]}},
    )  # fmt: skip
    assert (found.focal_length_mm, found.aperture_mm, found.obstruction) == (1400.0, 200.0, 0.36)
    assert (found.um_per_step, found.position, found.filter) == (4.0, 5.0, "Ha")


def test_own_keywords_for_other_facts():
    header = {
        "A": 7.0,
        "B": "2031-03-04T20:10:00",
        "C": "slot 5",
        "CCD-TEMP": -10,
        "ESO X Y": "cam",
        "D": 9.0,
    }
    found = facts(
        header,
        keywords={
            "temperature": "A", "time": "B", "filter": "C", "instrument": "HIERARCH ESO X Y", "pixel": "D",
        },
    )  # fmt: skip
    assert found.temperature_c == 7.0
    assert found.time == datetime(2031, 3, 4, 20, 10, tzinfo=UTC)
    assert (found.filter, found.instrument, found.pixel_um) == ("slot 5", "cam", 9.0)


@pytest.mark.parametrize(
    "header, bayer",
    [
        ({"BAYERPAT": "RGGB"}, "RGGB"),
        ({"BAYERPAT": "rggb "}, "RGGB"),
        ({"BAYERPAT": "RGGB", "XBAYROFF": 1}, "GRBG"),
        ({"BAYERPAT": "RGGB", "YBAYROFF": 1}, "GBRG"),
        ({"BAYERPAT": "RGGB", "XBAYROFF": 1, "YBAYROFF": 1}, "BGGR"),
        ({"BAYERPAT": "RGGB", "XBAYROFF": 2}, "RGGB"),
        ({"BAYERPAT": "TRUE", "COLORTYP": "GBRG"}, "GBRG"),
        ({"BAYERPAT": ""}, None),
    ],
)
def test_bayer_pattern(header, bayer):
    assert facts(header).bayer == bayer


def test_further_facts():
    found = facts(
        {
            "INSTRUME": "Skarv 26M", "TELESCOP": "Heron", "EGAIN": 0.25, "GAIN": 100, "SATURATE": 65535,
            "ROTATANG": 90.5, "PIERSIDE": "WEST", "IMAGETYP": "Light Frame", "OBJECT": "M 13",
        }
    )  # fmt: skip
    assert (found.instrument, found.telescope, found.gain) == ("Skarv 26M", "Heron", 0.25)
    assert (found.saturation_adu, found.rotator_deg, found.pier_side) == (65535.0, 90.5, "west")
    assert (found.image_type, found.object_name) == ("Light Frame", "M 13")
    assert (found.altitude_deg, found.other_temperature_c) == (None, None)


def test_altitude_and_a_second_sensor():
    found = facts({"FOCTEMP": 4.0, "AMBTEMP": 3.5, "OBJCTALT": " 61.25", "AIRMASS": 2.0})
    assert (found.temperature_c, found.other_temperature_c, found.altitude_deg) == (4.0, 3.5, 61.25)
    # the air alone is no second sensor; sec z = 2 at an altitude of 30°
    found = facts({"AMBTEMP": 3.5, "AIRMASS": 2.0})
    assert (found.temperature_c, found.other_temperature_c) == (3.5, None)
    assert found.altitude_deg == pytest.approx(30.0)


@pytest.mark.parametrize(
    "name, pattern, position",
    [
        ("L_5000.fits", "*_{position}.fits", 5000.0),
        ("L_5000.FITS.gz", "*_{position}.fits", 5000.0),
        ("L_-12.5.fits", "*_{position}.fits", -12.5),
        ("L_5000_x.fits", "*_{position}_*", 5000.0),
        ("hut_3_12345.fits", "hut_*_{position}.fits", 12345.0),
        ("L.fits", "*_{position}.fits", None),
        ("L+pos=88.fits", r"pos=(\d+)", 88.0),
        ("L_a.fits", r"_(\w)\.", None),
    ],
)
def test_position_from_the_file_name(name, pattern, position):
    assert position_from_name(name, pattern) == position
    assert facts({}, name, position_pattern=pattern).position == position
    assert facts({"FOCUSPOS": 7}, name, position_pattern=pattern).position == 7.0


VALUES = st.one_of(
    st.integers(), st.floats(), st.booleans(), st.text(max_size=30),
    st.sampled_from(["2031-03-04", "26/10/92", "1e999", "-", "0", "20:10:00", "2 2", "9" * 60]),
)  # fmt: skip
KEYS = st.sampled_from(sorted({alias for aliases in ALIASES.values() for alias in aliases}))


@given(st.dictionaries(KEYS, VALUES))
def test_any_values_give_finite_facts_or_none(header):
    found = facts(header)
    for value in vars(found).values():
        if isinstance(value, float):
            assert math.isfinite(value)
        if isinstance(value, str):
            assert value
            assert value.isprintable()


@given(st.binary(max_size=800))
def test_any_bytes_are_some_header(data):
    facts(parse_header(data))


def test_a_name_has_a_bound():
    assert len(text("x" * 10**6)) == 200
