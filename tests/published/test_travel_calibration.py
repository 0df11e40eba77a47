"""The fit by least absolute deviations against a published example."""

import numpy as np
import pytest

from scheduler.calibration import least_absolute

# Brownlee (1965), Statistical Theory and Methodology: 21 days of a plant that oxidises ammonia.
# Air flow, temperature of the cooling water, acid concentration, loss
STACK_LOSS = """
80 27 89 42; 80 27 88 37; 75 25 90 37; 62 24 87 28; 62 22 87 18; 62 23 87 18; 62 24 93 19
62 24 93 20; 58 23 87 15; 58 18 80 14; 58 18 89 14; 58 17 88 13; 58 18 82 11; 58 19 93 12
50 18 89 8; 50 18 86 7; 50 19 72 8; 50 19 79 8; 50 20 80 9; 56 20 82 15; 70 20 91 15
"""


def test_the_stack_loss_fit_is_the_published_one() -> None:
    # the median regression in the documentation of R's quantreg, rq(stack.loss ~ stack.x):
    # -39.68986, 0.83188, 0.57391, -0.06087 (from memory)
    rows = np.array(
        [line.split() for line in STACK_LOSS.replace("\n", ";").split(";") if line.strip()]
    )
    data = rows.astype(float)
    design = np.column_stack([np.ones(len(data)), data[:, :3]])
    assert len(data) == 21
    assert least_absolute(design, data[:, 3]) == pytest.approx(
        [-39.68986, 0.83188, 0.57391, -0.06087], abs=1e-5
    )
