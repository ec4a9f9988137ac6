"""Settings of all tests: no time limits (machines differ), the same examples on every run."""

import os
import sys
from pathlib import Path

from hypothesis import HealthCheck, settings

# As in an environment that is switched on: what is said to be typed next begins with the bare name.
os.environ["PATH"] = os.pathsep.join([str(Path(sys.executable).parent), os.environ.get("PATH", "")])

settings.register_profile(
    "focuskit", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow], database=None
)
settings.load_profile("focuskit")
