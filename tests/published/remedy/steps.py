"""Least additions in whole steps by a mixed-integer solver: scipy.optimize.milp (HiGHS).

Reads a JSON list of problems {"held": [...], "low": [...], "high": [...]}, held in steps of the scale,
limits as shares of the batch, and "shares" of each part that are a substance of which "held_of_it" is there
and at most "high_of_it" is allowed; writes a list of the steps to add of each, or null where there is none.
"""
import json
import sys

import numpy
from scipy.optimize import Bounds, LinearConstraint, milp


def least(problem):
    held, low, high = (numpy.array(problem[key], dtype=float) for key in ("held", "low", "high"))
    n, total = len(held), held.sum()
    # held_i + a_i - share_i * sum(a)  >= low_i * total,  <= high_i * total
    rows = numpy.vstack([numpy.eye(n) - low[:, None], numpy.eye(n) - high[:, None]])
    lower = numpy.concatenate([low * total - held, numpy.full(n, -numpy.inf)])
    upper = numpy.concatenate([numpy.full(n, numpy.inf), high * total - held])
    if "shares" in problem:
        # held_of_it + share * a  <= high_of_it * (total + sum(a))
        rows = numpy.vstack([rows, numpy.array(problem["shares"]) - problem["high_of_it"]])
        lower = numpy.append(lower, -numpy.inf)
        upper = numpy.append(upper, problem["high_of_it"] * total - problem["held_of_it"])
    found = milp(
        numpy.ones(n),
        constraints=LinearConstraint(rows, lower, upper),
        integrality=numpy.ones(n),
        bounds=Bounds(0, problem["most"]),
        options={"mip_rel_gap": 0, "time_limit": 20},
    )
    return None if found.x is None else [round(x) for x in found.x]


json.dump([least(problem) for problem in json.load(sys.stdin)], sys.stdout)
