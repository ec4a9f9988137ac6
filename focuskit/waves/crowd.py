"""Stars that share pixels with those of a stack, and the light they add, by a joint fit of all their fluxes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.spatial import cKDTree

from focuskit.core.matrix import Sites, cell_masks
from focuskit.waves.annuli import FINE

Array = NDArray[np.float64]

# A pixel is too bright when it is above its expectation by this many sigma and this part of the light. Chosen: neither
# noise nor an error of a star's shape does that, but a satellite or a hot pixel does.
_CLIP_SIGMA, _CLIP_SHARE = 8.0, 0.3
# Relative addition to the diagonal of the fluxes' normal equations: two entries of one star then share its light.
# Chosen small against 1.
_TWINS = 1e-4
# A known star so near to one that is stacked is that star: the finder does not part them (chosen).
_ITSELF_PX = 3.0


def most_light(expected: Array, noise: float) -> Array:
    """Return how far above its expectation a pixel may be; brighter ones are not used."""
    return np.asarray(_CLIP_SIGMA * noise + _CLIP_SHARE * np.maximum(expected, 0.0))


class Crowd:
    """Stars that share pixels with those stacked, and the light that each of them adds to the others.

    Their fluxes in the frame are fitted together, all of one profile, as is usual in crowded fields. Pixels far too
    bright for all of them count as what the last fit expects.

    Parameters
    ----------
    image : array, shape (rows, columns)
    radius : int
        How far the light of a star reaches, in pixels.
    stacked : array, shape (stars, 2)
        Centres x, y of the stars of the stack.
    level : array, shape (stars,)
        Sky under each of them; other stars have that of the nearest.
    known : array, shape (n, 2)
        Centres of all stars that are known to be in the frame, with or without those of the stack; NaN for none.
    sites : tuple, optional
        Of the pixels that count, as in `Pixels`.
    """

    def __init__(
        self,
        image: NDArray[np.generic],
        radius: int,
        stacked: Array,
        level: Array,
        known: Array,
        sites: Sites | None = None,
    ) -> None:
        height, width = image.shape
        tree = cKDTree(stacked)
        others = known[np.isfinite(known).all(axis=1)]
        others = others[tree.query(others)[0] > _ITSELF_PX]
        places = np.concatenate((stacked, others))
        pairs = tree.sparse_distance_matrix(cKDTree(places), 2.0 * radius, output_type="ndarray")
        involved = np.unique(np.concatenate([pairs[end][pairs["i"] != pairs["j"]] for end in "ij"]))
        self.stacked = involved[involved < len(stacked)]
        self.size = involved.size
        places = places[involved]
        level = level[tree.query(places)[1]] if self.size else np.empty(0)
        column, row = np.rint(places).astype(int).T[:, :, None, None]
        off_x, off_y = (places - np.rint(places)).T[:, :, None, None]
        offset = np.arange(-radius - 1, radius + 2)
        distance = np.hypot(offset - off_x, offset[:, None] - off_y)
        x, y = np.broadcast_arrays(column + offset, row + offset[:, None])
        counts = cell_masks(sites, 2)[0, 0][y % 2, x % 2]
        inside = np.nonzero((distance < radius) & (x >= 0) & (x < width) & (y >= 0) & (y < height) & counts)
        # Every pixel of every star: the star's number, the pixel's on its stamp and among all pixels of the crowd.
        self.star, self.on_stamp = inside[0], inside[1] * offset.size + inside[2]
        pixels, self.pixel = np.unique(y[inside] * width + x[inside], return_inverse=True)
        self.place = (distance[inside] * FINE).astype(int)
        self.data = image[np.divmod(pixels, width)].astype(float)
        self.data[self.pixel] -= level[self.star]
        self.expected = np.full(pixels.size, np.inf)
        self.stamp = offset.size**2

    def neighbours(self, profile: Array, noise: float) -> dict[int, NDArray[np.float32]]:
        """Fit the fluxes; return what others add to the stamp of each stacked star that has neighbours.

        Parameters
        ----------
        profile : array, shape (radius * FINE,)
            Light of a star of unit flux by radius, without sky.
        noise : float
            Standard deviation of a pixel of sky.
        """
        if not self.size:
            return {}
        shape = profile[self.place]
        light = csr_array((shape, (self.pixel, self.star)), shape=(self.data.size, self.size))
        limit = self.expected + most_light(self.expected, noise)
        normal = (light.T @ light).toarray()
        normal[np.diag_indices(self.size)] *= 1.0 + _TWINS
        flux = np.linalg.lstsq(normal, light.T @ np.where(self.data < limit, self.data, self.expected))[0]
        flux = np.maximum(flux, 0.0)
        self.expected = light @ flux
        beside = (self.expected[self.pixel] - shape * flux[self.star]).astype(np.float32)
        out = {}
        for k, j in enumerate(self.stacked.tolist()):
            mine = slice(*np.searchsorted(self.star, (k, k + 1)))
            out[j] = np.zeros(self.stamp, np.float32)
            out[j][self.on_stamp[mine]] = beside[mine]
        return out
