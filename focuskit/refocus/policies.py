"""The policies of refocusing that are compared, each with its best setting for the nights of a log.

The best setting is the one of least long-run loss: mean loss of depth (s·e/h0)² for an error e,
plus the time that runs take. It is a smooth function of the setting, taken over all starting times
in the log.
"""

from __future__ import annotations

from focuskit.refocus.behaviour import FocusBehaviour
from focuskit.refocus.replay import Case, Policy
from focuskit.refocus.temperature_change import matching_change_c

AS_NOW = Policy("now", every_min=60.0, at_filter_change=True)  # common practice, no source


def set_policies(case: Case) -> list[Policy]:
    """Give each policy its best setting for these nights.

    Where an offset is not known, every change of filter needs a run, and no policy makes its runs in
    another filter. Where nothing moves focus the settings are None: no run after the first. Without temperatures there
    is no policy by temperature.
    """
    several = len(case.plan.filters) > 1
    by_offset = several and case.offsets_known
    change_run = several and not by_offset
    policies = _tuned(case, "", None, change_run)
    if several:
        policies.append(Policy("filter_change", at_filter_change=True))
    quick = case.quickest_filter() if by_offset else None
    if quick is not None:
        policies += _tuned(case, "_quick", quick, change_run)
    if case.behaviour.steps_per_c == 0.0:
        return policies
    policies.append(Policy("follow", at_filter_change=change_run, follow=True))
    unsure = case.best_interval_min(case.run_cost_s(quick), followed=True)
    # One check in mid-night at least: the model cannot know what it has not seen.
    half_night_min = case.median_night_min / 2.0
    check_min = half_night_min if unsure is None else min(unsure, half_night_min)
    policies.append(Policy("follow_and_check", check_min, None, change_run, follow=True, run_filter=quick))
    return policies


def _tuned(case: Case, suffix: str, run_filter: str | None, change_run: bool) -> list[Policy]:
    """Runs by the clock and, where it is known, by temperature, in the filter in use or in ``run_filter``."""
    every_min = case.best_interval_min(case.run_cost_s(run_filter))
    by_clock = Policy("clock" + suffix, every_min, None, change_run, run_filter=run_filter)
    if not case.behaviour.has_temperatures:
        return [by_clock]
    every_c = None if every_min is None or case.flat or case.driftless else matching_change_c(case.change, every_min)
    return [by_clock, Policy("temperature" + suffix, None, every_c, change_run, run_filter=run_filter)]


def describe_policy(policy: Policy, behaviour: FocusBehaviour) -> str:
    """Say a policy in words, without a full stop."""
    where = f" in {policy.run_filter}" if policy.run_filter else ""
    when = []
    if policy.every_min is not None:
        when.append(f"every {policy.every_min / 60:.1f} h" if policy.every_min > 180 else
                    f"every {policy.every_min:.0f} min")  # fmt: skip
    if policy.every_c is not None:
        when.append(f"whenever the temperature has changed by {policy.every_c:.2g} °C")
    if policy.at_filter_change:
        when.append("at every filter change")
    words = f"a run{where} " + (" and ".join(when) or "at the start of the night only")
    if policy.follow:
        words = f"follow the learned {behaviour.steps_per_c:+.3g} {behaviour.unit}/°C, with {words}"
    if policy.run_filter:
        words += ", moving to the other filters by their offsets"
    return words
