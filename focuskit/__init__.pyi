from .core.errors import FocuskitError as FocuskitError
from .core.logged import LoggedRun as LoggedRun
from .core.optics import Rig as Rig
from .curves import CurveFit as CurveFit
from .curves import SizeFit as SizeFit
from .curves import fit_run as fit_run
from .diagnosis import Diagnosis as Diagnosis
from .diagnosis import Finding as Finding
from .diagnosis import diagnose as diagnose
from .drift import Drift as Drift
from .drift import FilterOffset as FilterOffset
from .drift import Rebuild as Rebuild
from .drift import fit_drift as fit_drift
from .field import FieldMap as FieldMap
from .frames import (
    FrameInfo as FrameInfo,
)
from .frames import (
    Limits as Limits,
)
from .frames import (
    RigFile as RigFile,
)
from .frames import (
    TemperatureLog as TemperatureLog,
)
from .frames import (
    read_rig_file as read_rig_file,
)
from .frames import (
    read_temperatures as read_temperatures,
)
from .logbook import Logbook as Logbook
from .logbook import read_runs as read_runs
from .night import (
    Night as Night,
)
from .night import (
    RunResult as RunResult,
)
from .night import (
    SingleFrame as SingleFrame,
)
from .night import (
    analyse as analyse,
)
from .night import (
    measure_single_frames as measure_single_frames,
)
from .refocus import (
    FocusBehaviour as FocusBehaviour,
)
from .refocus import (
    Interval as Interval,
)
from .refocus import (
    Known as Known,
)
from .refocus import (
    NightPlan as NightPlan,
)
from .refocus import (
    Policy as Policy,
)
from .refocus import (
    SweepPlan as SweepPlan,
)
from .refocus import (
    Worth as Worth,
)
from .refocus import (
    find_interval as find_interval,
)
from .refocus import (
    plan_sweeps as plan_sweeps,
)
from .refocus import (
    read_night_plan as read_night_plan,
)
from .show import (
    plot_curve as plot_curve,
)
from .show import (
    plot_drift as plot_drift,
)
from .show import (
    plot_effective_hours as plot_effective_hours,
)
from .show import (
    plot_night as plot_night,
)
from .show import (
    plot_offsets as plot_offsets,
)
from .show import (
    write_report as write_report,
)
from .show import (
    write_tables as write_tables,
)
from .stars import MeasuredFrame as MeasuredFrame
from .stars import StarMatch as StarMatch
from .stars import measure_frame as measure_frame
from .sweeps import FocusRun as FocusRun
from .waves import Defocus as Defocus
from .waves import ProfileFit as ProfileFit

__version__: str
