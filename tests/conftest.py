"""Settings of all tests: no time limits (machines differ), the same examples on every run."""

from hypothesis import HealthCheck, settings

settings.register_profile(
    "focuskit", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow], database=None
)
settings.load_profile("focuskit")
