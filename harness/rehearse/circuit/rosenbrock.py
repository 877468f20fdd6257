"""One adaptive implicit step for two stiff states, in plain floats."""

from __future__ import annotations

import math
from collections.abc import Callable

_D = 1.0 / (2.0 + math.sqrt(2.0))
_E32 = 6.0 + math.sqrt(2.0)

#: A step: both states after it, and the local error of both.
Step = tuple[float, float, float, float]


def rosenbrock_step(
    rates: Callable[[float, float], tuple[float, float]], a: float, b: float, step_s: float
) -> Step:
    """Take one step of the modified Rosenbrock pair of orders 2 and 3.

    L-stable, so that a regulator that settles in microseconds does not hold back a step of
    seconds. The Jacobian is taken by forward differences.

    Args:
        rates: Time derivatives of both states; must not depend on time.
        a: First state.
        b: Second state.
        step_s: Step.

    Source:
        L. F. Shampine and M. W. Reichelt, "The MATLAB ODE suite", SIAM J. Sci. Comput. 18 (1997),
        section 3.1.
    """
    f0a, f0b = rates(a, b)
    da = 1e-7 * (abs(a) + 1e-3)
    db = 1e-7 * (abs(b) + 1e-3)
    fa, fb = rates(a + da, b)
    jaa, jba = (fa - f0a) / da, (fb - f0b) / da
    fa, fb = rates(a, b + db)
    jab, jbb = (fa - f0a) / db, (fb - f0b) / db
    hd = step_s * _D
    waa, wab, wba, wbb = 1.0 - hd * jaa, -hd * jab, -hd * jba, 1.0 - hd * jbb
    det = waa * wbb - wab * wba
    k1a = (wbb * f0a - wab * f0b) / det
    k1b = (waa * f0b - wba * f0a) / det
    f1a, f1b = rates(a + 0.5 * step_s * k1a, b + 0.5 * step_s * k1b)
    ra, rb = f1a - k1a, f1b - k1b
    k2a = (wbb * ra - wab * rb) / det + k1a
    k2b = (waa * rb - wba * ra) / det + k1b
    na, nb = a + step_s * k2a, b + step_s * k2b
    f2a, f2b = rates(na, nb)
    ra = f2a - _E32 * (k2a - f1a) - 2.0 * (k1a - f0a)
    rb = f2b - _E32 * (k2b - f1b) - 2.0 * (k1b - f0b)
    k3a = (wbb * ra - wab * rb) / det
    k3b = (waa * rb - wba * ra) / det
    return na, nb, step_s / 6.0 * (k1a - 2.0 * k2a + k3a), step_s / 6.0 * (k1b - 2.0 * k2b + k3b)
