"""Write the pictures of the documentation from the sample night and the sample season.

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

from matplotlib.figure import Figure

import focuskit
from focuskit.show import plot_curve, plot_drift, plot_effective_hours, plot_night, plot_offsets, write_report

ROOT = Path(__file__).parents[1]
RUN = 2  # a cloud and a weak frame among its frames
WINDOW = "1000,1400"
DPI = 100


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
    """Write night.png, curve.png, offsets.png, interval.png and report.png."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "docs" / "pictures"
    folder.mkdir(parents=True, exist_ok=True)
    rig_file = focuskit.read_rig_file(ROOT / "sample_data" / "heron.toml")
    night = focuskit.analyse(ROOT / "sample_data" / "night", rig_file=rig_file)
    plot_night(night).figure.savefig(folder / "night.png", dpi=DPI)
    plot_curve(night.runs[RUN]).figure.savefig(folder / "curve.png", dpi=DPI)
    season = ROOT / "sample_data" / "season"
    drift = focuskit.fit_drift(focuskit.read_runs(season / "runs.csv"))
    both = Figure(figsize=(11.0, 4.2), layout="constrained")
    left, right = both.subplots(1, 2, width_ratios=(3, 2))
    plot_drift(drift, left)
    plot_offsets(drift, right)
    both.savefig(folder / "offsets.png", dpi=DPI)
    interval = focuskit.find_interval(focuskit.read_temperatures(season / "temperatures.csv"), drift)
    hours = plot_effective_hours(interval)
    hours.figure.savefig(folder / "interval.png", dpi=DPI)
    with tempfile.TemporaryDirectory() as place:
        page = write_report(night, Path(place) / "night.html")
        if not photograph(page, folder / "report.png"):
            print("no Chromium here: report.png is left as it is")
    print(f"pictures in {folder}")


if __name__ == "__main__":
    main()
