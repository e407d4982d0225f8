"""The likeliest course through states of which each sample tells something."""

from __future__ import annotations

import numpy as np

from landing_analysis.tables import FloatArray


def likeliest_course(told: FloatArray, change_cost: float) -> np.ndarray:
    """Return the state of each sample on the course for which most is told.

    Parameters
    ----------
    told : (n, n_states) what each sample tells for each state, as a log-likelihood
    change_cost : of going from one state to another

    Returns
    -------
    (n,) states by their column

    References
    ----------
    Viterbi AJ. IEEE Trans Inf Theory 1967;13:260-269 (memory, sure).
    """
    states = told.shape[1]
    cost = change_cost * (1.0 - np.eye(states))
    came_from = np.zeros(told.shape, dtype=int)
    total = told[0]
    for sample in range(1, len(told)):
        ways = total[:, None] - cost
        came_from[sample] = ways.argmax(axis=0)
        total = ways.max(axis=0) + told[sample]
    course = np.zeros(len(told), dtype=int)
    course[-1] = int(total.argmax())
    for sample in range(len(told) - 1, 0, -1):
        course[sample - 1] = came_from[sample, course[sample]]
    return course
