"""Sound, or frames of it, in blocks of any sizes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np


def in_blocks(rows: np.ndarray, sizes: Sequence[int]) -> Iterator[np.ndarray]:
    """The rows in order, in blocks of these sizes over and over; the last may be shorter."""
    begin, turn = 0, 0
    while begin < len(rows):
        size = sizes[turn % len(sizes)]
        yield rows[begin : begin + size]
        begin, turn = begin + size, turn + 1
