"""Show: results become pictures, tables and the page.

In: `Night`, `Drift`, `Interval`. Out: files. Nothing is computed here that a result does not have.
"""

from focuskit.show.night_tables import write_tables
from focuskit.show.plots import (
    plot_curve,
    plot_drift,
    plot_effective_hours,
    plot_field,
    plot_night,
    plot_offsets,
    plot_residuals,
    save_drift_plots,
    save_interval_plot,
    save_night_plots,
)
from focuskit.show.report import write_report
from focuskit.show.report_drift import drift_sentence
from focuskit.show.report_night import answer_sentence

__all__ = [
    "answer_sentence",
    "drift_sentence",
    "plot_curve",
    "plot_drift",
    "plot_effective_hours",
    "plot_field",
    "plot_night",
    "plot_offsets",
    "plot_residuals",
    "save_drift_plots",
    "save_interval_plot",
    "save_night_plots",
    "write_report",
    "write_tables",
]
