"""Every flag that focuskit can raise: its name, what it means, what to do about it.

The terminal, the report, the documentation and the tests read this registry,
so a flag that is not in it cannot be raised.
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
    "Centre the next sweep on the position given as look_near.",
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
    "frames_set_aside",
    "One or more frames of the run were set aside; each is named with its reason.",
    "Nothing, if the rest of the curve looks sound.",
)
_add(
    "few_stars",
    "The frames share fewer than five stars.",
    "Expose longer, or point where there are more stars.",
)


def names() -> list[str]:
    """Return the names of all flags, in the order of the registry."""
    return list(_REGISTRY)


def describe(name: str) -> Flag:
    """Return the registry's entry for ``name``; raise KeyError if there is none."""
    return _REGISTRY[name]


def check(raised: list[str] | tuple[str, ...]) -> tuple[str, ...]:
    """Return ``raised`` without repeats, in the order of the registry.

    Raises KeyError for a name that is not in the registry.
    """
    for name in raised:
        describe(name)
    return tuple(name for name in _REGISTRY if name in raised)
