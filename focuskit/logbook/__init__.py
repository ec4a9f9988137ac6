"""Logbook: every focus run and light frame ever, and tables of runs.

In: `LoggedRun`, `LoggedLight` and CSV files. Out: one SQLite file, CSV and ECSV tables.
"""

from focuskit.logbook.book import Logbook
from focuskit.logbook.renewal import Renewal
from focuskit.logbook.tables import formula_free, read_runs, write_csv, write_ecsv

__all__ = ["Logbook", "Renewal", "formula_free", "read_runs", "write_csv", "write_ecsv"]
