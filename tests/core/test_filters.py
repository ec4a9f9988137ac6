"""The table of filters against published wavelengths, and names as people write them."""

import pytest

from focuskit.core.filters import FilterTable, OwnFilter, spelling, usual_filter

# Air wavelengths in nm: NIST Atomic Spectra Database (H I 3-2 and 4-2; [O III] 5007; [N II] 6583; the mean of
# [S II] 6716 and 6731).
NIST_NM = {"Ha": 656.28, "Hb": 486.13, "OIII": 500.68, "NII": 658.35, "SII": (671.64 + 673.08) / 2}

SPELLINGS = {
    "L": ["L", "l", "Lum", "LUMINANCE", "Clear", " lum "],
    "R": ["R", "Red", "red "],
    "G": ["G", "green"],
    "B": ["B", "Blue"],
    "Ha": ["Ha", "HA", "h a", "H", "H-a", "H_alpha", "H-Alpha", "Halpha 3nm", "Ha 7nm", "Ha7nm", "Ha_3.5_nm",
           "Ha 3,5 nm", "Hα", "H-α", "7nm Ha", "Hα 6563", "Ha 656.3nm", "My Ha 7nm", "hydrogen alpha"],
    "OIII": ["OIII", "oiii", "O-III", "O III", "O3", "O 3", "O", "[O III]", "[OIII] 5007", "OⅢ", "OIII 3nm", "O3 65Å",
             "Oxygen"],
    "SII": ["SII", "S2", "S-II", "S II", "[S II]", "S", "SII_6.5nm", "Sulfur II", "sulphur"],
    "Hb": ["Hb", "H-beta", "Hβ", "Hbeta 8.5nm", "h_b"],
    "NII": ["NII", "N2", "[N II] 6584", "N-II 3nm"],
}  # fmt: skip


@pytest.mark.parametrize(("kind", "written"), [(k, w) for k, words in SPELLINGS.items() for w in words])
def test_knows_a_filter_as_people_write_it(kind, written):
    assert usual_filter(written).name == kind


@pytest.mark.parametrize("written", [None, "", "Ha OIII", "slot 5", "7nm", "Filter 1", "duo", "L-something", "IR742"])
def test_does_not_guess_what_it_does_not_know(written):
    kind = usual_filter(written)
    assert (kind.name, kind.wavelength_nm, kind.narrowband) == (None, 550.0, False)


def test_lines_have_their_published_wavelengths_and_are_narrowband():
    for name, wavelength in NIST_NM.items():
        kind = usual_filter(name)
        assert kind.wavelength_nm == pytest.approx(wavelength, abs=0.06)
        assert (kind.narrowband, kind.focus_exposure_s, kind.sub_s) == (True, 40.0, 300.0)
    for name in "LRGB":
        kind = usual_filter(name)
        assert (kind.narrowband, kind.focus_exposure_s, kind.sub_s) == (False, 2.0, 120.0)
    assert usual_filter("B").wavelength_nm < usual_filter("G").wavelength_nm < usual_filter("R").wavelength_nm


def test_luminance_comes_first_and_unknown_filters_last():
    names = ["dark sky", "SII", "Ha", "B", "lum", "O3", "R", "G"]
    assert sorted(names, key=lambda n: usual_filter(n).order) == ["lum", "R", "G", "B", "Ha", "O3", "SII", "dark sky"]


def test_the_rig_file_goes_first():
    table = FilterTable({"Hα": OwnFilter(900.0, False, ("slot 5",)), "L": OwnFilter(), "Duo": OwnFilter(580.0, True)})
    for written in ("Hα", "h-alpha", "H ALPHA", "slot_5", "SLOT 5"):
        assert table.name(written) == "Hα"
        assert (table.kind(written).wavelength_nm, table.kind(written).narrowband) == (900.0, False)
    assert (table.kind("Duo").wavelength_nm, table.kind("Duo").narrowband) == (580.0, True)
    assert table.kind("L") == usual_filter("L")
    assert table.kind("OIII") == usual_filter("OIII")
    assert (table.name("Ha 7nm"), table.name(None)) == ("Ha 7nm", None)


def test_an_exact_name_goes_before_an_equal_spelling():
    table = FilterTable({"h-a": OwnFilter(600.0), "Ha": OwnFilter(650.0)})
    assert table.kind("Ha").wavelength_nm == 650.0


def test_spelling_drops_what_people_vary():
    assert {spelling(name) for name in ("H-α", "h alpha", "H_ALPHA", "[Halpha]")} == {"halpha"}


def test_names_that_look_like_one_filter_are_pointed_out():
    table = FilterTable()
    assert len(table.remarks(["Ha", "H-alpha", "L", "R", None])) == 1
    assert "'H-alpha' and 'Ha'" in table.remarks(["Ha", "H-alpha"])[0]
    assert len(table.remarks(["dark sky", "Dark-Sky"])) == 1
    assert len(table.remarks(["Ha", "Ha 7nm"])) == 1
    assert table.remarks(["Ha 3nm", "Ha 7nm", "L", "L", "Filter 1", "Filter 2"]) == []
    joined = FilterTable({"Ha": OwnFilter(also=("H-alpha",)), "Ha old": OwnFilter()})
    assert joined.remarks(["Ha", "Ha old"]) == []


@pytest.mark.parametrize(
    ("names", "one"),
    [
        (["L", "L", "Lum", "Luminance"], {"Lum": "L", "Luminance": "L"}),
        (["Ha", "H-alpha", "Hα 7nm", "H-alpha"], {"Ha": "H-alpha", "Hα 7nm": "H-alpha"}),
        (["OIII", "O3", "SII", "R", "Red"], {"O3": "O3", "OIII": "O3", "Red": "R", "SII": "SII"}),
        # Which of two widths it is, the name without one does not tell.
        (["Ha", "Ha", "Ha 3nm", "Ha 7nm"], {"Ha": "Ha", "Ha 3nm": "Ha 3nm", "Ha 7nm": "Ha 7nm"}),
        (["slot 1", "slot 2", None], {"slot 1": "slot 1", "slot 2": "slot 2"}),
    ],
)
def test_spellings_of_one_filter_are_joined_under_the_most_frequent(names, one):
    joined = FilterTable().joined(names)
    assert {name: joined.name(name) for name in one} == one
    assert bool(joined.remarks(joined.name(name) for name in names)) == ("Ha 3nm" in names)


def test_names_of_the_rig_file_stay_what_it_says():
    """The rig file's name takes the others in; two names of its own are two filters."""
    table = FilterTable({"Luminance": OwnFilter(550.0), "Ha": OwnFilter(), "Ha old": OwnFilter()})
    joined = table.joined(["L", "L", "Lum", "Ha", "Ha old"])
    assert {joined.name(name) for name in ("L", "Lum", "Luminance")} == {"Luminance"}
    assert joined.own["Luminance"].wavelength_nm == 550.0
    assert (joined.name("Ha"), joined.name("Ha old")) == ("Ha", "Ha old")


def test_an_unknown_name_close_to_a_known_one_is_pointed_out():
    (line,) = FilterTable().remarks(["Lumnance"])
    assert "'Lumnance' is not known" in line and "if it is L," in line
    assert FilterTable().remarks(["Duo", "slot 5", "X"]) == []
    assert FilterTable({"Lumnance": OwnFilter()}).remarks(["Lumnance"]) == []
