"""Scores the same frames with motmetrics (PyPI), a reference implementation of CLEAR-MOT and IDF1.

Input, standard input: JSON lines, one an evening: {"frames": [[truth, tracks], ...]}, each a list of
[id, [places]]. Output: one JSON line an evening with what motmetrics counts.
"""

import json
import sys

import numpy as np

# motmetrics 1.4 was written for an older numpy.
if not hasattr(np, "asfarray"):
    np.asfarray = lambda a, dtype=float: np.asarray(a, dtype=dtype)

import motmetrics as mm  # noqa: E402


def distance(one, other):
    one, other = set(one), set(other)
    far = 1 - len(one & other) / max(len(one | other), 1)
    return far if far <= 0.5 else np.nan


for line in sys.stdin:
    acc = mm.MOTAccumulator(auto_id=True)
    for truth, tracks in json.loads(line)["frames"]:
        matrix = [[distance(t[1], k[1]) for k in tracks] for t in truth]
        acc.update([t[0] for t in truth], [k[0] for k in tracks], matrix)
    names = ["idf1", "mota", "num_switches", "num_misses", "num_false_positives", "num_objects"]
    row = mm.metrics.create().compute(acc, metrics=names, name="x").loc["x"]
    print(json.dumps({name: float(row[name]) for name in names}), flush=True)
