"""Night: everything for one folder.

In: folders of frames. Out: `Night` with its runs (`RunResult`) and light frames (`LightFrame`), and `SingleFrame`,
the defocus of one frame.
"""

from focuskit.night.analysis import analyse
from focuskit.night.backlash import Backlash
from focuskit.night.lights import LightFrame
from focuskit.night.results import Night, RunResult
from focuskit.night.single import SingleFrame, measure_single_frames

__all__ = ["Backlash", "LightFrame", "Night", "RunResult", "SingleFrame", "analyse", "measure_single_frames"]
