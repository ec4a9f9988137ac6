"""How a frame maps onto another, from the positions of their stars alone: shifted, turned, mirrored, slightly scaled.

Ordinary frames of a run are shifted by a few pixels, and a vote of all pairs of stars finds that at once. Where it does
not hold for most stars, larger shifts are tried, half a turn (a mount that crosses the meridian), and the triangles of
the brightest stars (Groth 1986, AJ 91, 1244), whose sides do not change. Any match has to bring more stars together
than chance does.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.spatial import cKDTree
from scipy.special import bdtrc

# Stars so near to one another are taken for one. Chosen: the centroids of wide donuts are off by a pixel or two.
AGREE_PX = 3.0
# Shifts that are tried first. Chosen: within the first, even a single star counts as found; within most runs the
# pointing drifts by less than the second.
_NEAR_PX, SHIFT_REACH_PX = 8.0, 60.0
_FURTHEST = 0.4  # of the longer side: shifts are sought so far; a third of the field, and a little
# Expected number of places, among all that are tried, at which chance brings as many stars together. Chosen: of a
# hundred frames of another field one passes, if it has few stars.
_CHANCE = 0.01
# Of the scale: focus changes it by less than 2 %, even in a short lens (common practice, no source).
_MOST_STRETCH = 0.03
# A placement needs no rival where so many of the stars that both frames should show agree. Chosen; two may agree in
# a frame that was turned by half a turn, where the line between any two stars keeps its direction.
_PLAIN, _PLAIN_STARS = 0.5, 3
_LEAST_SHARE = 0.1  # of all stars: frames a third of a field apart, one of which misses half of them, share a fifth
_BRIGHT, _CORNERS = 80, 24  # stars for large shifts, and for triangles: of 24, a third of the field leaves ten or more
_LEAST_SIDE_PX = 30.0  # of a triangle: shorter ones are all alike within the errors of centroids
_ALIKE_SIDES = 0.006  # by which ratios of sides may differ: centroids off by half a pixel, sides of 100 pixels
_TURNED_PX = 10.0  # correct triangles agree to this on the corners of the field (chosen)
_ROUNDS = 6  # chosen: by then the stars that agree have settled


@dataclass(frozen=True)
class Placement:
    """How positions in one frame map to another: mirrored or not, times ``factor``, plus ``shift``, as x + iy."""

    factor: complex = 1.0 + 0.0j
    shift: complex = 0.0j
    mirrored: bool = False

    def there(self, places: np.ndarray) -> np.ndarray:
        """Return places of the one frame, complex numbers of any shape, in the other."""
        return np.asarray(self.factor * (places.conj() if self.mirrored else places) + self.shift)

    def back(self, places: np.ndarray) -> np.ndarray:
        """Return places of the other frame in the one."""
        first = (places - self.shift) / self.factor
        return np.asarray(first.conj() if self.mirrored else first)

    @property
    def is_shift(self) -> bool:
        """Whether the frames are neither turned nor mirrored nor of another scale."""
        return self.factor == 1.0 and not self.mirrored

    @property
    def matrix(self) -> np.ndarray:
        """The factor as it acts on x and y, shape (2, 2)."""
        side = -1.0 if self.mirrored else 1.0
        real, imaginary = self.factor.real, self.factor.imag
        return np.array([[real, -side * imaginary], [imaginary, side * real]])

    @classmethod
    def through(cls, one: np.ndarray, other: np.ndarray, weight: np.ndarray, mirrored: bool = False) -> Placement:
        """Return the placement by least squares, shapes (..., n): at least two places that are apart."""
        one = one.conj() if mirrored else one
        middle, target = np.average(one, weights=weight), np.average(other, weights=weight)
        spread = float(weight @ np.abs(one - middle) ** 2)
        factor = complex((weight * (one - middle).conj()) @ (other - target) / spread)
        return cls(factor, complex(target - factor * middle), mirrored)


def find_placement(home: np.ndarray, here: np.ndarray) -> Placement | None:
    """Return how the stars of one frame map to another; None where no placement is better than chance.

    Parameters
    ----------
    home, here : array of complex, shapes (n,) and (m,)
        Places x + iy of the stars in either frame, bright ones first.
    """
    if not (home.size and here.size):
        return None
    best, most = None, 0
    field = _Field(home, here)
    for placement, tries in _candidates(field):
        for trial, number in ((placement, tries), (field.grow(placement), field.turned)):
            agree, expected = field.judge(trial, number)
            if expected < _CHANCE and agree > max(most, _LEAST_SHARE * min(home.size, here.size)):
                best, most = trial, agree
        if best and most >= max(_PLAIN_STARS, _PLAIN * field.shared(best)):
            break
    return best


class _Field:
    """The stars of two frames, and what chance makes of them."""

    def __init__(self, home: np.ndarray, here: np.ndarray) -> None:
        self.home, self.here = home, here
        self.tree = cKDTree(plane(here))
        both = np.concatenate([plane(home), plane(here)])
        self.area = float(np.prod(np.maximum(np.ptp(both, axis=0), 10.0 * AGREE_PX)))
        self.far = complex(*np.ptp(both, axis=0))
        self.reach = _FURTHEST * max(self.far.real, self.far.imag)
        # Two pairs of stars make one placement with turn and scale, mirrored or not.
        self.turned = 2.0 * self.shifts(self.reach) * home.size * here.size * _MOST_STRETCH

    def shifts(self, reach: float) -> float:
        """Return how many pairs of stars chance puts within a reach: each makes one shift."""
        return self.home.size * self.here.size * min(math.pi * reach**2 / self.area, 1.0)

    def shared(self, placement: Placement) -> int:
        """Return how many stars of the frame that shows fewer are within the field of the other."""
        low, high = plane(self.here).min(axis=0) - AGREE_PX, plane(self.here).max(axis=0) + AGREE_PX
        there = plane(placement.there(self.home))
        first = int(np.sum(((there >= low) & (there <= high)).all(axis=1)))
        low, high = plane(self.home).min(axis=0) - AGREE_PX, plane(self.home).max(axis=0) + AGREE_PX
        back = plane(placement.back(self.here))
        return min(first, int(np.sum(((back >= low) & (back <= high)).all(axis=1))))

    def pairs(self, placement: Placement) -> tuple[np.ndarray, np.ndarray]:
        """Return which stars of one frame are which of the other: each the nearest of the other, and near."""
        there = plane(placement.there(self.home))
        distance, index = self.tree.query(there)
        nearest = cKDTree(there).query(plane(self.here))[1]
        mutual = (distance < AGREE_PX) & (nearest[index] == np.arange(self.home.size))
        return np.flatnonzero(mutual), index[mutual]

    def grow(self, placement: Placement) -> Placement:
        """Fit turn and scale to the stars that agree, as long as more of them do."""
        most = 0
        for _ in range(_ROUNDS):
            one, other = self.pairs(placement)
            if one.size <= most or one.size < 3:
                break
            most, best = one.size, placement
            placement = Placement.through(self.home[one], self.here[other], np.ones(one.size), placement.mirrored)
            if abs(abs(placement.factor) - 1.0) > _MOST_STRETCH:
                return best
        return placement if self.pairs(placement)[0].size >= most else best

    def judge(self, placement: Placement, tries: float) -> tuple[int, float]:
        """Return how many stars agree, and how many of ``tries`` placements chance brings as far."""
        agree = self.pairs(placement)[0].size
        # One pair of stars makes a shift, two make a turn with a scale: they agree by themselves.
        made_by = 1 if placement.factor in (1.0, -1.0) else 2
        if agree < made_by:
            return agree, math.inf
        beside = min(self.home.size, self.here.size) - made_by
        crowd = self.here.size * math.pi * AGREE_PX**2 / self.area
        return agree, tries * float(bdtrc(agree - made_by - 1, beside, -math.expm1(-crowd)))


def _candidates(field: _Field) -> Iterator[tuple[Placement, float]]:
    """Propose placements, likely ones first, each with how many different ones were looked through."""
    home, here = field.home, field.here
    for reach in (_NEAR_PX, SHIFT_REACH_PX):
        yield Placement(shift=_voted_shift(home, here, reach)), field.shifts(reach)
    home, here = home[:_BRIGHT], here[:_BRIGHT]
    yield Placement(shift=_voted_shift(home, here, field.reach)), field.shifts(field.reach)
    middle = complex(*plane(here).mean(axis=0)) + complex(*plane(home).mean(axis=0))
    shift = middle + _voted_shift(middle - home, here, field.reach)
    yield Placement(-1.0 + 0.0j, shift), field.shifts(field.reach)
    placement = _by_triangles(home[:_CORNERS], here[:_CORNERS], field.far)
    if placement:
        yield placement, field.turned


def _voted_shift(home: np.ndarray, here: np.ndarray, reach: float) -> complex:
    """Return the shift on which most pairs of stars agree; none without a pair within reach."""
    near = cKDTree(plane(here)).query_ball_point(plane(home), reach)
    moves = np.array([here[j] - home[i] for i, found in enumerate(near) for j in found])
    if not moves.size:
        return 0.0j
    points = plane(moves)
    votes = cKDTree(points).query_ball_point(points, AGREE_PX)
    return complex(*np.median(points[max(votes, key=len)], axis=0))


def _by_triangles(home: np.ndarray, here: np.ndarray, far: complex) -> Placement | None:
    """Return the placement on which most pairs of like triangles agree."""
    corners, marks = _triangles(home)
    others, other_marks = _triangles(here)
    if not (len(corners) and len(others)):
        return None
    found = cKDTree(marks).query_ball_point(other_marks, 1.0, p=np.inf)
    pairs = np.array([(i, j) for j, near in enumerate(found) for i in near], int).reshape(-1, 2)
    if not len(pairs):
        return None
    one, other = home[corners[pairs[:, 0]]], here[others[pairs[:, 1]]]
    mirrored = _winding(one) * _winding(other) < 0.0
    one = np.where(mirrored[:, None], one.conj(), one)
    one_off, other_off = (part - part.mean(axis=1, keepdims=True) for part in (one, other))
    factor = (one_off.conj() * other_off).sum(axis=1) / (np.abs(one_off) ** 2).sum(axis=1)
    shift = other.mean(axis=1) - factor * one.mean(axis=1)
    # Where they put two corners of the field; mirrored ones are kept apart.
    ends = np.stack([shift, shift + factor * np.where(mirrored, far.conjugate(), far)], axis=1)
    votes = np.concatenate([ends.real, ends.imag, 1e6 * mirrored[:, None]], axis=1)
    near = cKDTree(votes).query_ball_point(votes, _TURNED_PX)
    most = max(near, key=len)
    return Placement(
        complex(np.median(factor[most].real), np.median(factor[most].imag)),
        complex(np.median(shift[most].real), np.median(shift[most].imag)),
        bool(mirrored[most[0]]),
    )


def _triangles(places: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return all triangles of some stars, and marks in which like ones differ by less than 1.

    Corners, shape (n, 3), are in the order of the sides that they face, the longest first. Marks are the longest side
    and the ratios of the others to it.
    """
    corners = np.array(list(combinations(range(places.size), 3)), int).reshape(-1, 3)
    at = places[corners]
    sides = np.abs(np.stack([at[:, 1] - at[:, 2], at[:, 2] - at[:, 0], at[:, 0] - at[:, 1]], axis=1))
    order = np.argsort(-sides, axis=1)
    sides = np.take_along_axis(sides, order, axis=1)
    wide = sides[:, 2] > _LEAST_SIDE_PX
    corners, sides = np.take_along_axis(corners, order, axis=1)[wide], sides[wide]
    marks = [np.log(sides[:, 0]) / _MOST_STRETCH, *(sides[:, k] / sides[:, 0] / _ALIKE_SIDES for k in (1, 2))]
    return corners, np.stack(marks, axis=1)


def _winding(corners: np.ndarray) -> np.ndarray:
    """Return the sign of the area of triangles, shape (n, 3)."""
    return np.sign(((corners[:, 1] - corners[:, 0]).conj() * (corners[:, 2] - corners[:, 0])).imag)


def plane(places: np.ndarray) -> np.ndarray:
    """Return places x + iy as x and y, along an additional last axis."""
    return np.stack([places.real, places.imag], axis=-1)
