"""Every flag that focuskit can raise: its name, what it means, what to do about it.

The terminal, the report, the documentation and the tests read it, so a flag that is not in it cannot be raised.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Flag:
    """One entry of the registry."""

    name: str
    meaning: str
    advice: str


_REGISTRY: dict[str, Flag] = {}


def _add(name: str, meaning: str, advice: str) -> None:
    _REGISTRY[name] = Flag(name, meaning, advice)


# Focus runs ------------------------------------------------------------------------------
_add(
    "minimum_outside",
    "The sizes still fall towards one end of the sweep: the best position lies beyond it.",
    "Centre the next sweep where the frames point to.",
)
_add(
    "too_few_points",
    "Fewer than five frames at different positions could be used.",
    "Take at least seven frames, spread to both sides of focus.",
)
_add(
    "flat_curve",
    "The sizes hardly change over the sweep: it is too short or the focuser did not move.",
    "Widen the step until the outermost frames are 2.5 to 3 times the least size.",
)
_add(
    "no_minimum",
    "The sizes scatter so much that neither a minimum nor a lack of one can be seen in them.",
    "Look at the frames (clouds, trails, one saturated star among faint ones), then repeat the run.",
)
_add(
    "upside_down",
    "The sizes are largest in the middle of the sweep.",
    "Check that stars were in the field and that the positions belong to these frames.",
)
_add(
    "poor_fit",
    "The sizes scatter about the curve by more than a focus run in fair seeing shows.",
    "Repeat the run with longer exposures or more frames.",
)
_add(
    "lopsided",
    "Most of the sweep lies on one side of focus.",
    "Centre the next sweep on the best position found.",
)
_add(
    "shallow_sweep",
    "The outermost frames are less than 1.6 times the least size.",
    "Widen the step: 2.5 to 3 times the least size gives the surest position.",
)
_add(
    "fits_disagree",
    "The estimates of the best position differ by more than their errors allow.",
    "Read the reason given with the chosen method; repeat the run if it matters.",
)
_add(
    "unsure_position",
    "The error of the best position is larger than the move that costs 5 % in size.",
    "Repeat the run with more frames, more stars or a wider sweep.",
)
_add(
    "frames_set_aside",
    "One or more frames of the run were set aside; each is named with its reason.",
    "Nothing, if the rest of the curve looks sound.",
)
_add(
    "few_stars",
    "The frames share fewer than five stars.",
    "Expose longer, or point where there are more stars.",
)

_add(
    "shapes_incomplete",
    "The pixels of some frames could not be read again, or there was no memory for them: shapes are of the others.",
    "Measure the run again with --workers 1, and leave its files in place meanwhile.",
)
_add(
    "fields_differ",
    "The frames do not show the same stars: their sizes are those of different stars, and shapes cannot be fitted.",
    "Look at the frames: the mount may not have tracked, or they are of several fields.",
)
_add(
    "no_star_shapes",
    "What was measured has no star's shape: half-flux diameter and width at half maximum disagree, as for a nebula.",
    "Point where stars are plain to see, and look at a frame.",
)
_add(
    "gain_contradicted",
    "The gain in the header does not fit the noise of the frame, as where values were scaled since: it is not used.",
    "Use the raw frames, or correct the gain; sizes are right, their errors leave out the photon noise of the stars.",
)
_add(
    "coarse_values",
    "The sky's noise is less than half a step of the pixel values: faint light is lost, and sizes may be 20 % off.",
    "Expose longer, or save frames with 16 bits and a pedestal.",
)
_add(
    "backlash_seen",
    "The focuser has slack: frames taken before it was taken up, or on the way back, were set aside.",
    "Approach every position from the same side as the sweep did: go past it by more than the slack, then come back.",
)

# The field of a focus run ----------------------------------------------------------------
_add(
    "tilt_seen",
    "The best position changes across the sensor: the stars at one edge are blurred where the other is sharp.",
    "Take another run with the camera turned by half a turn: a tilt that stays in the image lies between "
    "the turning point and the sensor, one that changes sign lies in the tube.",
)
_add(
    "curvature_seen",
    "The corners focus at another position than the middle, by more than 5 % in size.",
    "Check the distance from the flattener or corrector to the sensor; focus on the whole field meanwhile.",
)
_add(
    "corners_blurred",
    "Stars in a corner stay larger than in the middle even at their own best position.",
    "Focus does not mend that: look at the shapes of the corner stars, and at the distance of the corrector.",
)

# The shape of the stars of a focus run ---------------------------------------------------
_add(
    "coma_seen",
    "The stars are lopsided, the same on both sides of focus: coma, by more than 5 % in size.",
    "Take it as a hint: defocus a bright star in the middle of the field and see whether its hole lies off the "
    "centre; if so, align the mirrors, or look for a tilted corrector.",
)
_add(
    "astigmatism_seen",
    "The stars are drawn out along one line above the best position and across it below: astigmatism, by more "
    "than 5 % in size.",
    "Take it as a hint: look for a mirror or lens that is pinched, or a tilted corrector; see whether it turns "
    "with the camera.",
)
_add(
    "stars_drawn_out",
    "The stars are drawn out along the same line at all positions, by more than 5 % in size.",
    "Take it as a hint: look at the guiding, the balance and the wind; low in the sky the air does it too.",
)

# When to refocus -------------------------------------------------------------------------
_add(
    "no_drift",
    "Focus does not move with temperature: no change of it asks for a run.",
    "Nothing, if the drift is known to be zero; otherwise log runs at different temperatures.",
)
_add(
    "drift_unproven",
    "The drift is not known, or less than twice its error: settings and gains are means over what it may be.",
    "Log runs over a wider range of temperatures.",
)
_add(
    "temperature_flat",
    "The temperature in the log hardly changes over a night: it asks for no run after the first.",
    "Give a log of more typical nights if these were unusual.",
)
_add(
    "once_is_enough",
    "The best interval is longer than the night: the run at its start is enough.",
    "Refocus at the start of the night only.",
)
_add(
    "run_at_each_change",
    "The offset of a filter in the plan is not known: each change of filter needs a run.",
    "Log a few runs in each filter of the plan.",
)
_add(
    "few_nights",
    "The log has fewer than three nights, or nights of one week only: other nights may ask for another interval.",
    "Give a log of nights of several weeks.",
)
_add(
    "daytime_log",
    "The log seems to be of the day: it warms from beginning to end, or the logged runs were made at other hours.",
    "Give a log of the night; check the time zone (--zone) and the hours of the night (--night).",
)
_add(
    "more_than_temperature",
    "Within a night focus moves by more than the tolerance (5 % in HFD) apart from temperature.",
    "Trust runs by the clock; look for what moves: a mirror, the focuser under load, a sensor away from the tube.",
)
_add(
    "walk_unknown",
    "How far focus moves within a night apart from temperature is not known, and counted as none.",
    "Log three runs a night or more over several nights, or give it with --random-walk.",
)
_add(
    "plan_assumed",
    "The logged runs do not show the plan of a night: an hour in each filter is assumed.",
    "Give the filters, their time and exposures with --blocks.",
)
_add(
    "sizes_from_optics",
    "The sizes of the stars were not logged: they follow from the optics and an assumed least size of 3″, and so does "
    "the error of a run where none was logged.",
    "Analyse focus runs into the logbook, or give --best-hfd, --slope and --position-err.",
)
_add(
    "run_cost_assumed",
    "What a focus run takes was not logged: nine frames of 2 s (40 s in narrowband) and 8 s each were taken.",
    "Give it with --run-cost, or analyse focus runs into the logbook.",
)
_add(
    "beyond_travel",
    "The planned sweep would leave the focuser's travel and was made smaller.",
    "Shift the focuser in the drawtube so that best focus is further from the end.",
)


# Drift and filter offsets ----------------------------------------------------------------
_add(
    "wild_runs",
    "Runs more than 3.5 standard errors off were set aside; each is named.",
    "Look at those runs: a cloud, a slipping focuser or a wrong filter name.",
)
_add(
    "rebuild_found",
    "The base jumped between two runs and stayed: a rebuild was found in the data.",
    "If the camera was taken off then, declare it with --rebuild; if not, look for what slipped.",
)
_add(
    "jump_unknown",
    "How far the base jumped at a rebuild cannot be told: no filter or temperature links the two sides.",
    "Log runs after it in a filter that was used before.",
)
_add(
    "too_few_runs",
    "There are too few runs: the fit has as many unknowns as runs, or more, so the errors cannot be verified.",
    "Log more runs; where the advice names some, those first.",
)
_add(
    "one_temperature",
    "The runs do not tell a drift with temperature: they lie at one temperature, or change with the rebuilds.",
    "Log runs on a night at least 5 °C warmer or colder.",
)
_add(
    "one_run_filter",
    "A filter has one run only: its offset carries the full error of that run, and nothing checks it.",
    "Log two more runs in that filter.",
)
_add(
    "filter_disputed",
    "As many runs of a filter were set aside as agree: which are right is open, so its offset is not given.",
    "Log three more runs in that filter.",
)
_add(
    "offset_unknown",
    "The offset of a filter cannot be told from a rebuild or another filter.",
    "Log runs in it and in the reference filter on one night.",
)
_add(
    "offset_tied",
    "A filter was used at other temperatures than the rest: its offset hangs on the drift.",
    "Log runs in it at the temperatures of the other filters; the advice names one.",
)
_add(
    "scatter_over_tolerance",
    "Single runs scatter by more than the tolerance.",
    "Take more or longer frames in a run before trusting single runs.",
)
_add(
    "mixed_runs",
    "The runs fall into two groups, as if two rigs or two temperature sensors were mixed.",
    "Name the rig of each run, use one sensor, and fit them apart.",
)
_add(
    "several_rigs",
    "There are runs of several rigs: only those of one were used, the rig with the most runs or the first of equals.",
    "Choose another with --rig-name; the runs that were set aside name their rigs.",
)
_add(
    "no_thermometer",
    "There are no temperatures: offsets come from runs close in time, the interval from how far focus moves at night.",
    "Give a log of temperatures with --temps; one of the nearest weather station is good enough.",
)
_add(
    "temperature_missing",
    "Runs without a temperature were set aside.",
    "Fill it in, or give a log with --temps.",
)
_add(
    "temperature_from_log",
    "Missing temperatures of runs were taken from the log.",
    "Nothing, if log and focuser sensor agree.",
)
_add(
    "filter_missing",
    "Runs without a filter were set aside.",
    "Fill in the filter.",
)
_add(
    "filters_drift_apart",
    "Filters drift differently with temperature: offsets hold at the reference temperature, in the middle.",
    "Use the coefficient given for each filter.",
)
_add(
    "drift_bends",
    "The drift changes with temperature: steps per °C are the mean over the runs.",
    "Do not extend the drift beyond the range of the runs.",
)
_add(
    "tube_lags",
    "The tube follows the air with a lag: the drift counts from the lagged temperature.",
    "Refocus more often while the air changes fast.",
)
_add(
    "focus_creeps",
    "Best focus moves evenly with time or with every run, at one temperature: values hold as of the last run.",
    "Look for a focuser that slips; approach every position from the same side.",
)
_add(
    "shifts_assumed",
    "There are too few nights to show how far focus shifts from night to night: typical shifts are in the errors.",
    "Log runs on five nights or more.",
)
_add(
    "slopes_differ",
    "Within nights focus follows the temperature by other steps per °C than from night to night.",
    "Look whether the sensor is noisy or coarse, or the tube lags: a log of the air given with --temps shows a lag.",
)
_add(
    "drift_changed",
    "The steps per °C differ between the stretches before and after a rebuild: the value is their mean.",
    "If the optical train was changed, use only the runs since then.",
)
_add(
    "drift_across_gap",
    "The steps per °C rest on one long gap in the log: a rebuild in it would look the same.",
    "Declare a rebuild if there was one; log runs at other temperatures without a break.",
)
_add(
    "no_shared_night",
    "A filter shares no night with the reference filter: a jump between their nights would be in its offset.",
    "Log runs in it and in the reference filter on one night.",
)
_add(
    "nights_shift",
    "Focus shifts from night to night by more than the runs scatter.",
    "Make one focus run at the start of each night.",
)
_add(
    "follows_altitude",
    "Apart from the temperature, focus follows the altitude of the telescope.",
    "Look for a part that sags: a mirror, the focuser, a clamp; refocus after long slews.",
)
_add(
    "follows_pier_side",
    "Apart from the temperature, focus differs between the sides of the pier.",
    "Look for a part that sags: a mirror, the focuser, a clamp; refocus after a meridian flip.",
)
_add(
    "other_sensor_better",
    "The temperature of another sensor predicts focus better than that of the runs.",
    "Use that sensor for the drift: name its column, or give its log with --temps.",
)
_add(
    "focus_wanders",
    "Within nights focus moves by more than the temperature explains, as a random walk; the errors allow for it.",
    "Refocus by the clock; look for what moves: a mirror, the focuser under load, a sensor away from the tube.",
)

_add(
    "light_sides_open",
    "On which side of focus the light frames were is open: with all signs reversed, the rest fits as well.",
    "Move the focuser by 30 steps or more once a night, or log one focus run: either shows the side.",
)


def names() -> list[str]:
    """Return the names of all flags, in the order of the registry."""
    return list(_REGISTRY)


def describe(name: str) -> Flag:
    """Return the registry's entry for ``name``; raise KeyError if there is none."""
    return _REGISTRY[name]


def check(raised: list[str] | tuple[str, ...]) -> tuple[str, ...]:
    """Return ``raised`` without repeats, in the order of the registry; raise KeyError for a name that is not in it."""
    for name in raised:
        describe(name)
    return tuple(name for name in _REGISTRY if name in raised)
