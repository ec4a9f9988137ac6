"""Night: everything for one folder.

In: folders of frames. Out: `Night` with its runs (`RunResult`), and `SingleFrame` for frames outside a run.
"""

from focuskit.night.analysis import analyse
from focuskit.night.backlash import Backlash
from focuskit.night.results import Night, RunResult
from focuskit.night.single import SingleFrame, measure_single_frames

__all__ = ["Backlash", "Night", "RunResult", "SingleFrame", "analyse", "measure_single_frames"]
