"""The scores of all cells of one inspection as one blob.

Scores have four decimals in the result file; here they are whole numbers of ten-thousandths, so nothing is lost.
"""

import json
import zlib
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

_UNIT = 10_000
_NOT_GIVEN = 65_535
DEFECT = "defect_score"
"""Name under which the score of the whole cell stands beside those of the kinds."""


def pack_scores(cells: Sequence[Mapping[str, Any]]) -> bytes:
    """Pack the cells of a result.

    Parameters
    ----------
    cells : sequence of mapping
        Cells as in the result file, in the order of addresses.

    Returns
    -------
    bytes
        Compressed; `unpack_scores` is the inverse.
    """
    names = sorted({kind for cell in cells for kind in cell["kind_scores"]})
    table = np.full((len(cells), len(names) + 1), _NOT_GIVEN, dtype="<u2")
    for row, cell in enumerate(cells):
        for column, value in enumerate([*(cell["kind_scores"].get(name) for name in names), cell["defect_score"]]):
            if value is not None:
                table[row, column] = round(value * _UNIT)
    head = json.dumps([*names, DEFECT]).encode("ascii")
    return zlib.compress(head + b"\n" + table.tobytes())


def unpack_scores(blob: bytes) -> tuple[tuple[str, ...], NDArray[np.float64]]:
    """Return the names of the scores and their values.

    Returns
    -------
    names : tuple of str
        Kinds, and `DEFECT` last.
    scores : ndarray of float64, shape (n_cells, n_names)
        0..1; NaN where a score was not given.
    """
    head, _, body = zlib.decompress(blob).partition(b"\n")
    names = tuple(json.loads(head))
    table = np.frombuffer(body, dtype="<u2").reshape(-1, len(names))
    scores = table / _UNIT
    scores[table == _NOT_GIVEN] = np.nan
    return names, scores
