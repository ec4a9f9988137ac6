"""Write the pictures of the documentation from the sample night.

    python scripts/make_pictures.py [FOLDER]

FOLDER is ``docs/pictures`` where it is not given. Where Chromium is installed, the report is
photographed too.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import focuskit
from focuskit.plots import plot_curve, plot_night
from focuskit.report import write_report

ROOT = Path(__file__).parents[1]
RUN = 2  # a cloud and a weak frame among its frames
WINDOW = "1180,1500"


def photograph(page: Path, picture: Path) -> bool:
    """Take a picture of a page in a browser without a window; False where there is no Chromium."""
    browser = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if browser is None:
        return False
    with tempfile.TemporaryDirectory() as profile:
        flags = (
            *("--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--hide-scrollbars"),
            *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
            *(f"--user-data-dir={profile}", f"--window-size={WINDOW}", f"--screenshot={picture}"),
        )
        command = [browser, *flags, page.absolute().as_uri()]
        subprocess.run(command, check=True, capture_output=True, timeout=120)
    return True


def main() -> None:
    """Write night.png, curve.png and report.png."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "docs" / "pictures"
    folder.mkdir(parents=True, exist_ok=True)
    rig_file = focuskit.read_rig_file(ROOT / "sample_data" / "heron.toml")
    night = focuskit.analyse(ROOT / "sample_data" / "night", rig_file=rig_file)
    plot_night(night).figure.savefig(folder / "night.png", dpi=120)
    plot_curve(night.runs[RUN]).figure.savefig(folder / "curve.png", dpi=120)
    with tempfile.TemporaryDirectory() as place:
        page = write_report(night, Path(place) / "night.html")
        if not photograph(page, folder / "report.png"):
            print("no Chromium here: report.png is left as it is")
    print(f"pictures in {folder}")


if __name__ == "__main__":
    main()
