"""Keys tell mirrored paths apart."""

from itertools import product

import numpy as np

from raysim.kernels.keys import key_after, source_key


def test_no_two_short_paths_share_a_key():
    """All sequences of up to three of seven facets, four sources and three receivers."""
    keys = []
    for source, order in product(range(4), range(4)):
        for facets in product(range(7), repeat=order):
            key = np.uint64(source_key(source))
            for facet in facets:
                key = np.uint64(key_after(key, facet))
            keys += [key_after(key, receiver) for receiver in range(3)]
    assert len(set(keys)) == len(keys) == 4 * 3 * (1 + 7 + 49 + 343)
