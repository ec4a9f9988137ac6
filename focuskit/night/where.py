"""Where focus is, by frames measured one by one: on which side of it each lay, and the move that leads there.

A frame by itself says how far it was from focus, on either side. The side comes from the user, from frames at other
positions taken in the same minutes, from where focus is expected, or from the stars; what is not decided stays open.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from focuskit.core.calibration import SIDE_KNOWN, Expected
from focuskit.night.known import Known, Left
from focuskit.waves import Defocus

_EXACT_UM = 1e-3  # an error below this counts as none
# The stars' own word on the side counts for no more than this: chosen, as a coma that the model lacks looks like it.
_STARS_MOST = 0.99
# One expectation in so many is wrong altogether, after a bump or a rebuild, and then by anything up to so many of its
# standard errors: chosen.
_WRONG, _WRONG_REACH = 0.005, 50.0
# Frames of one group count by no more than so many standard deviations each: one bad frame is outvoted by two.
_MOST_SIGMA = 4.0
# Where sides are decided, focus may have moved between the frames of a group, and slack may have shifted one: chosen, a
# third of a usual tolerance.
_MOVED_UM = 20.0
_BEYOND = 1.25  # of the farthest calibrated distance a move is still given; chosen
_PLACES = 2001  # best positions tried for a group
# Rounds of the fit of best position and step, which is bilinear: the third changes nothing. Longest step of ln(step).
_ROUNDS, _MOST_SCALE = 4, 0.3


@dataclass(frozen=True)
class Single:
    """One measured frame: its position, and what judges it; ``group`` numbers frames of the same minutes and filter."""

    position: float | None
    defocus: Defocus
    known: Known
    group: int
    expected: Expected | None = None
    travel: tuple[float, float] | None = None


@dataclass(frozen=True)
class Candidate:
    """Where focus is if the frame lay on one side of it, and the move there; None where it is not to be made."""

    side: str
    distance_um: float
    err_um: float
    best_position: float | None
    best_position_err: float | None
    probability: float
    move: float | None = None
    why_no_move: str | None = None


@dataclass(frozen=True)
class Answer:
    """What a frame says of focus.

    Parameters
    ----------
    candidates : (Candidate, Candidate)
        Outside and inside.
    side, side_from : str or None
        The side where it is decided, and what decided it: ``given``, ``sweep``, ``pair``, ``logbook`` or ``stars``.
    defocus_um, defocus_err_um : float
        Positive outside of focus; the distance alone where the side is open.
    limit_um : float or None
        The distance that is not exceeded with 95 %, where focus itself is possible.
    within_tolerance : float
        Probability of that.
    best_position, best_position_err, move : float or None
        None while the side is open; the move also where it is not to be made, for ``why_no_move``.
    approach : str or None
        The direction in which the runs that calibrate this side had come to their positions.
    """

    candidates: tuple[Candidate, Candidate]
    side: str | None
    side_from: str | None
    defocus_um: float
    defocus_err_um: float
    limit_um: float | None
    within_tolerance: float
    best_position: float | None
    best_position_err: float | None
    move: float | None
    why_no_move: str | None
    approach: str | None


def find_focus(frames: Sequence[Single], given: str | None = None) -> list[Answer]:
    """Return what each frame says of focus; ``given`` is the side of all of them, where the user knows it."""
    answers = [_alone(frame, given) for frame in frames]
    for group in dict.fromkeys(frame.group for frame in frames):
        members = [k for k, frame in enumerate(frames) if frame.group == group]
        if given is None and len({frames[k].position for k in members} - {None}) > 1:
            for k, answer in zip(members, _together([frames[k] for k in members]), strict=True):
                answers[k] = answer or answers[k]
    return answers


def _alone(frame: Single, given: str | None) -> Answer:
    """Judge a frame by itself and by what is expected."""
    places = [_locate([(frame, sign)]) for sign in (1.0, -1.0)]
    stars = min(max(frame.defocus.outside, 1.0 - _STARS_MOST), _STARS_MOST)
    weight = [1.0, 1.0]
    if frame.expected and None not in places:
        weight = [_chance_of(frame.expected, place) for place in places if place]
    logged = weight[0] / (weight[0] + weight[1])
    both = stars * weight[0] / (stars * weight[0] + (1.0 - stars) * weight[1])
    if given:
        return _answer(frame, places, float(given == "outside"), "given")
    return _answer(frame, places, both, "stars" if abs(stars - 0.5) > abs(logged - 0.5) else "logbook")


def _chance_of(expected: Expected, place: tuple[float, float]) -> float:
    """Return how likely the expectation makes a best position with its error, as a density."""
    err = math.hypot(expected.err, place[1])
    usual = math.exp(-0.5 * ((place[0] - expected.position) / err) ** 2) / (math.sqrt(2.0 * math.pi) * err)
    return (1.0 - _WRONG) * usual + _WRONG / (2.0 * _WRONG_REACH * err)


def _together(frames: Sequence[Single]) -> list[Answer | None]:
    """Judge frames of the same minutes at several positions; None for one that they leave open."""
    usable = [frame for frame in frames if frame.position is not None and frame.known.log_step]
    chances = _sides_of_group(usable) if len(usable) > 1 else []
    word = "pair" if len(usable) == 2 else "sweep"
    by_frame = dict(zip(map(id, usable), chances, strict=True))
    signs = {
        id(frame): 1.0 if by_frame[id(frame)] > 0.5 else -1.0
        for frame in usable
        if max(by_frame[id(frame)], 1.0 - by_frame[id(frame)]) >= SIDE_KNOWN
    }
    decided = [(frame, signs[id(frame)]) for frame in usable if id(frame) in signs]
    # Near focus a frame says little of it, and what it says is skewed.
    sharp = [(frame, sign) for frame, sign in decided if frame.defocus.places_um is None]
    both = _locate(sharp) if {sign for _, sign in sharp} == {1.0, -1.0} else None
    if both and not all(_agree(_locate([one]), both) for one in sharp):
        both = None
    answers: list[Answer | None] = []
    for frame in frames:
        if id(frame) not in signs:
            answers.append(None)
            continue
        outside = by_frame[id(frame)]
        places = [_locate([(frame, sign)]) for sign in (1.0, -1.0)]
        if both and any(one is frame for one, _ in sharp):
            places[0 if signs[id(frame)] > 0.0 else 1] = both
        answers.append(_answer(frame, places, outside, word))
    return answers


def _agree(own: tuple[float, float] | None, both: tuple[float, float]) -> bool:
    """Return whether a frame by itself puts focus where its group does: focus may have moved between them."""
    return own is not None and abs(own[0] - both[0]) < _MOST_SIGMA * own[1]


def _sides_of_group(frames: Sequence[Single]) -> list[float]:
    """Return for each frame of a group the probability that it lay outside, by how the positions fit together."""
    positions = np.array([frame.position for frame in frames])
    own = [place[0] for frame in frames for sign in (1.0, -1.0) if (place := _locate([(frame, sign)]))]
    room = 0.05 * (max(own) - min(own)) + 1e-9
    best = np.linspace(min(own) - room, max(own) + room, _PLACES)
    chi2 = np.zeros(best.size)
    for frame, position in zip(frames, positions, strict=True):
        assert frame.known.log_step
        value, rel = frame.known.log_step
        away = (position - best) * math.exp(value)
        off = np.empty(best.size)
        for side in _sides(frame):
            here = side.sign * away >= 0.0
            err = np.hypot(math.hypot(side.err_um, _MOVED_UM), rel * away[here])
            off[here] = (np.abs(away[here]) - side.distance_um) / err
        chi2 += np.minimum(off**2, _MOST_SIGMA**2)
        stars = min(max(frame.defocus.outside, 1.0 - _STARS_MOST), _STARS_MOST)
        chi2 -= 2.0 * np.log(np.where(away >= 0.0, stars, 1.0 - stars))
    # A peak narrower than the places tried counts by its height: the sides alone are asked for.
    weight = np.exp(-0.5 * (chi2 - chi2.min()))
    weight /= weight.sum()
    return [float(weight[best < position].sum()) for position in positions]


@dataclass(frozen=True)
class _Side:
    """What one side of a frame says: its sign, the distance less what is left on the mean, and what errors it has."""

    sign: float
    distance_um: float
    noise_um: float
    by_spherical_um: float
    left: Left

    @property
    def err_um(self) -> float:
        return math.hypot(self.noise_um, self.by_spherical_um, self.left.whole_err_um)


def _sides(frame: Single) -> list[_Side]:
    lefts = frame.known.outside, frame.known.inside
    return [
        _Side(
            sign, max(one.distance_um - left.mean_um, 0.0), math.hypot(one.noise_um, left.scatter_um),
            one.by_spherical_um, left,
        )
        for sign, one, left in zip((1.0, -1.0), frame.defocus.sides, lefts, strict=True)
    ]  # fmt: skip


def _locate(frames: Sequence[tuple[Single, float]]) -> tuple[float, float] | None:
    """Return best position and error by frames whose sides are known; None without positions or a step size.

    A distance is what position and step make it, plus what is left, in common and on its side: best position, step and
    these are fitted together, the latter with what is known of them. On opposite sides step and the common part cancel.
    """
    log_step = frames[0][0].known.log_step
    positions = np.array([frame.position for frame, _ in frames], float)
    if log_step is None or np.isnan(positions).any():
        return None
    sides = [next(one for one in _sides(frame) if one.sign == sign) for frame, sign in frames]
    signs, away, noise = np.array([(one.sign, one.distance_um, one.noise_um) for one in sides]).T
    step, reference = math.exp(log_step[0]), float(positions.mean())
    lefts = frames[0][0].known.outside, frames[0][0].known.inside
    open_um = [max(left.common_um for left in lefts), *(left.err_um for left in lefts)]
    prior = np.diag([0.0, log_step[1] ** -2.0, *(max(one, _EXACT_UM) ** -2.0 for one in open_um)])
    best = scale = 0.0
    for _ in range(_ROUNDS):
        way = step * math.exp(scale)
        distance = signs * (positions - reference - best) * way
        design = (
            np.stack((-signs * way, distance, np.ones(signs.size), signs > 0.0, signs < 0.0), axis=1) / noise[:, None]
        )
        matrix = design.T @ design + prior
        pull = design.T @ ((away - distance) / noise)
        pull[1] -= scale * prior[1, 1]
        move = np.linalg.solve(matrix, pull)
        best, scale = best + float(move[0]), scale + float(np.clip(move[1], -_MOST_SCALE, _MOST_SCALE))
    by_spherical = float(np.mean([one.by_spherical_um for one in sides])) / step
    return reference + best, math.hypot(math.sqrt(float(np.linalg.inv(matrix)[0, 0])), by_spherical)


def _answer(
    frame: Single, places: Sequence[tuple[float, float] | None], outside: float, word: str
) -> Answer:  # fmt: skip
    """Return the answer of a frame from both places of focus and the probability that the frame lay outside."""
    chances = (outside, 1.0 - outside)
    candidates = []
    for name, chance, place, side in zip(("outside", "inside"), chances, places, _sides(frame), strict=True):
        best, err = place or (None, None)
        one = Candidate(name, side.distance_um, side.err_um, best, err, chance)
        if best is not None and frame.position is not None:
            why = _why_not(frame, best, side.distance_um, side.left)
            one = replace(one, move=None if why else best - frame.position, why_no_move=why)
        candidates.append(one)
    likely = candidates[0] if outside >= 0.5 else candidates[1]
    is_open = likely.probability < SIDE_KNOWN
    mean = sum(one.probability * one.distance_um for one in candidates)
    variance = sum(one.probability * (one.err_um**2 + (one.distance_um - mean) ** 2) for one in candidates)
    sign = 1.0 if likely.side == "outside" else -1.0
    left = frame.known.outside if sign > 0.0 else frame.known.inside
    limit = frame.defocus.limit_um(chances)
    return Answer(
        candidates=(candidates[0], candidates[1]),
        side=None if is_open else likely.side,
        side_from=None if is_open else word,
        defocus_um=mean if is_open else sign * likely.distance_um,
        defocus_err_um=math.sqrt(variance) if is_open else likely.err_um,
        limit_um=limit,
        within_tolerance=frame.defocus.within(frame.defocus.tolerance_um, chances),
        best_position=None if is_open else likely.best_position,
        best_position_err=None if is_open else likely.best_position_err,
        move=None if is_open else likely.move,
        why_no_move=None if is_open else likely.why_no_move,
        approach=("upwards" if left.direction > 0.0 else "downwards") if left.direction else None,
    )


def _why_not(frame: Single, best_position: float, distance_um: float, left: Left) -> str | None:
    """Say why the focuser is not to be sent to a best position; None where nothing speaks against it."""
    if frame.travel and not frame.travel[0] <= best_position <= frame.travel[1]:
        return (
            f"{round(best_position, 1):.10g} lies beyond the travel of {frame.travel[0]:.10g} to {frame.travel[1]:.10g}"
        )
    if left.runs and distance_um > _BEYOND * left.farthest_um:
        return f"{distance_um:.0f} µm is farther from focus than the runs reach, {left.farthest_um:.0f} µm"
    return None
