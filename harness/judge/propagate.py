"""Uncertainty of figures computed from readings: quotients, regulation, mean.

Each input is an :class:`Estimate`, a value with its contributions. The result is one, too: every
contribution of an input comes back with the sensitivity of the result to it, ready for
:func:`harness.judge.uncertainty.combine`.

Inputs read by one instrument share causes: the calibration error of a meter is the same in both
voltages of a load regulation. Such a cause is no two contributions but one, whose sensitivities add
with their signs: in a difference of two voltages a shared offset cancels, in a sum it counts twice
(not root two). The caller names the causes that are ``shared``, by their names as contributions; a
cause that is not named counts as independent in each input. Scatter and resolution are never
shared. A stated accuracy "of reading plus fixed" may be entered as one bound for each of the two
readings: the larger bound then is the same error plus its part in proportion, and what is left of
both in a difference is the proportional part of that difference.

The law is the first-order one, exact for sums and differences. A regulation divides by a nominal
value, a name without uncertainty. A quotient divides by what was measured: there the first-order
law fails from a relative uncertainty of a few per cent on, and :func:`quotient` does without it.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace

from harness.judge.uncertainty import Contribution, Uncertainty, combine


@dataclass(frozen=True, kw_only=True, slots=True)
class Estimate:
    """A value and the causes of its uncertainty."""

    value: float  # nan where it could not be worked out (division by zero)
    #: Independent causes, each with the value's sensitivity to it.
    contributions: tuple[Contribution, ...] = ()

    @property
    def why_not(self) -> str:
        """Why there is no value; empty where there is one, or nobody says."""
        if math.isfinite(self.value):
            return ""
        return next((one.name for one in self.contributions if math.isinf(one.standard)), "")


def unknown(why: str) -> Estimate:
    """Return a figure that there is none of, for a reason: nothing can be decided by it."""
    return Estimate(value=math.nan, contributions=(Contribution(name=why, standard=math.inf),))


def quotient(
    numerator: Estimate,
    *denominators: Estimate,
    shared: Collection[str] = (),
    called: str = "denominator",
) -> Estimate:
    """One estimate over the product of others, ``called`` by a name; nan over 0.

    The efficiency P_out / P_in is one, and the power factor P / (V I), from real power and rms
    voltage and current.

    The interval about a quotient is not symmetric: a denominator known to 50 % makes it a third
    smaller or twice as large. The sensitivities are those to the first order times what the longer
    side of the exact interval is longer by, so that the expanded uncertainty covers both. Where the
    interval of a denominator, or of their product, holds zero, the quotient has no bound: a cause
    that says so is infinite.

    Source: definitions, textbook; JCGM 100:2008, 5.1.2 and 5.1.3; 5.2.2 for shared causes; the
        exact interval of a quotient, E. C. Fieller, Journal of the Royal Statistical Society B 16
        (1954), 175 (from memory); the variance of a product, L. A. Goodman, Journal of the American
        Statistical Association 55 (1960), 708 (from memory).
    """
    below = math.prod(each.value for each in denominators)
    if below == 0.0:
        return Estimate(value=math.nan)
    value = numerator.value / below
    linear = _estimate(
        value,
        [(1.0 / below, numerator), *((-value / each.value, each) for each in denominators)],
        shared,
    )
    found = combine(linear.contributions)
    if not 0.0 < found.expanded < math.inf:
        return linear
    longer = _longer_side(numerator, denominators, value, found, shared)
    if math.isinf(longer):
        why = Contribution(name=f"{called}: not known to differ from zero", standard=math.inf)
        return replace(linear, contributions=(*linear.contributions, why))
    causes = (
        replace(cause, sensitivity=cause.sensitivity * longer / found.expanded)
        for cause in linear.contributions
    )
    return replace(linear, contributions=tuple(causes))


def _longer_side(
    numerator: Estimate,
    denominators: Sequence[Estimate],
    value: float,
    linear: Uncertainty,
    shared: Collection[str],
) -> float:
    """Return how far the exact interval of a quotient q = N / D reaches; infinite without a bound.

    It holds every q + d for which N - (q + d) D is zero within its own expanded uncertainty, at the
    coverage factor k of the first-order law, ``linear``: (d D)^2 = k^2 u^2(N - (q + d) D).
    """
    k2 = linear.coverage**2
    below = math.prod(each.value for each in denominators)
    parts = [combine(each.contributions).standard / each.value for each in denominators]
    product = _estimate(below, [(below / each.value, each) for each in denominators], shared)
    u2_above = combine(numerator.contributions).standard ** 2
    u2_product = combine(product.contributions).standard ** 2
    # what the first-order law of a product leaves out: the squares of its factors, multiplied
    mixed = seen = 0.0
    for part in parts:
        mixed += part * part * (seen + mixed)
        seen += part * part
    u2_mixed = below * below * mixed
    u2_linear = (below * linear.standard) ** 2
    # what N and D have in common, by the law of the first order for their quotient
    common = u2_above + value * value * u2_product - u2_linear
    covariance = 0.5 * common / value if value else 0.0
    # the longer root of a d^2 - 2 b d - c
    a = below * below - k2 * (u2_product + u2_mixed)
    b = k2 * (value * (u2_product + u2_mixed) - covariance)
    c = k2 * (u2_linear + value * value * u2_mixed)
    return (abs(b) + math.sqrt(b * b + a * c)) / a if a > 0.0 else math.inf


def regulation(
    first_v: Estimate, second_v: Estimate, nominal_v: float, *, shared: Collection[str] = ()
) -> Estimate:
    """Load, line or cross regulation (V1 - V2) / Vnominal, with its sign.

    ``first_v`` is the voltage without load, or at one line voltage; ``second_v`` that at full load,
    or at the other. In a cross regulation it is that of one output while the load of another one
    changes. ``nominal_v`` is a name and so without uncertainty; 0 gives nan. A shared
    offset cancels; of a gain error, entered with the voltage as its sensitivity, what is left goes
    with the difference of the two voltages.

    Source: definition, common practice (data sheets of supplies with one output and with several);
        JCGM 100:2008, 5.1.2 and 5.2.2.
    """
    if nominal_v == 0.0:
        return Estimate(value=math.nan)
    value = (first_v.value - second_v.value) / nominal_v
    return _estimate(value, [(1.0 / nominal_v, first_v), (-1.0 / nominal_v, second_v)], shared)


def rise(first: Estimate, second: Estimate, *, shared: Collection[str] = ()) -> Estimate:
    """Return how much more the second is than the first, such as an input power at a higher line.

    Source: definition, textbook; JCGM 100:2008, 5.1.2 and 5.2.2.
    """
    return _estimate(second.value - first.value, [(1.0, second), (-1.0, first)], shared)


def total(estimates: Sequence[Estimate], *, shared: Collection[str] = ()) -> Estimate:
    """Return the sum of estimates, such as the power that the loads of several outputs take.

    Source: definition, textbook; JCGM 100:2008, 5.1.2 and 5.2.2.
    """
    value = math.fsum(estimate.value for estimate in estimates)
    return _estimate(value, [(1.0, estimate) for estimate in estimates], shared)


def average(estimates: Sequence[Estimate], *, shared: Collection[str] = ()) -> Estimate:
    """Arithmetic mean of one estimate or more, such as the efficiency at four loads.

    Averaging does not make the ``shared`` causes smaller.

    Source: JCGM 100:2008, 5.1.2 and 5.2.2.
    """
    share = 1.0 / len(estimates)
    value = math.fsum(estimate.value for estimate in estimates) * share
    return _estimate(value, [(share, estimate) for estimate in estimates], shared)


def _estimate(
    value: float, parts: Iterable[tuple[float, Estimate]], shared: Collection[str]
) -> Estimate:
    """Chain the sensitivities; merge shared causes into one contribution each, signs kept."""
    own: list[Contribution] = []
    common: dict[str, Contribution] = {}
    for sensitivity, estimate in parts:
        for cause in estimate.contributions:
            chained = replace(cause, sensitivity=sensitivity * cause.sensitivity)
            if cause.name not in shared:
                own.append(chained)
            elif (first := common.get(cause.name)) is None:
                common[cause.name] = chained
            else:
                common[cause.name] = _merge(first, chained)
    return Estimate(value=value, contributions=(*own, *common.values()))


def _merge(first: Contribution, second: Contribution) -> Contribution:
    if (first.standard, first.dof) == (second.standard, second.dof):
        return replace(first, sensitivity=first.sensitivity + second.sensitivity)
    # One cause, in two sizes (a bound in per cent of two different readings): the effects still go
    # together, so they add with their signs; the fewer degrees of freedom hold.
    effect = first.sensitivity * first.standard + second.sensitivity * second.standard
    return Contribution(
        name=first.name,
        standard=abs(effect),
        dof=min(first.dof, second.dof),
        sensitivity=math.copysign(1.0, effect),  # a third input may have to be added to it
        distribution=first.distribution,
    )
