"""How alike a run is to the units of a suspect, and what of it is simulated at all."""

from __future__ import annotations

import numpy as np
import pytest

from harness.profile.schema import Profile
from harness.qualify.unit_result import HEALTHY
from harness.suspects.library import compiled
from harness.suspects.likeness import Alike, chance_simulated, distances_of, doubt_of
from harness.suspects.population import Member
from harness.suspects.ranking import ranked


def clusters(rng: np.random.Generator, *centers: float) -> np.ndarray:
    """Return units with six figures that scatter by one about each center."""
    return np.vstack([center + rng.normal(size=(12, 6)) for center in centers])


class TestAlike:
    def test_between_two_clusters_is_nothing(self) -> None:
        """A meter that is off by ten, up or down, never reads what lies between."""
        alike = Alike.of(clusters(np.random.default_rng(1), -50.0, 50.0))
        inside = alike.distance(np.full(6, 50.5))

        assert inside < 3.0
        assert alike.distance(np.zeros(6)) > 10.0 * inside

    def test_steps_are_those_of_neighbours(self) -> None:
        """A figure that goes with the fault's degree counts by the way to the next unit."""
        degree = np.linspace(0.0, 100.0, 21)
        alike = Alike.of(np.column_stack([degree, degree, *[np.ones(21)] * 4]))

        assert alike.steps[:2] == pytest.approx([5.0, 5.0])
        assert alike.distance(np.array([52.0, 52.0, 1, 1, 1, 1])) < 1.0
        # each by itself inside; no unit has both
        assert alike.distance(np.array([20.0, 80.0, 1, 1, 1, 1])) > 2.0

    def test_what_none_has_counts(self) -> None:
        """A figure that no unit reached, or all did, counts as several steps."""
        units = np.ones((8, 6))
        units[:, 5] = np.nan
        alike = Alike.of(units)

        assert alike.distance(units[0]) == 0.0
        assert alike.distance(np.ones(6)) > 1.0


class TestDoubt:
    def test_what_is_far_from_all_is_not_simulated(self) -> None:
        """A run inside a suspect's units is likely one; as far from two suspects it is not."""
        rng = np.random.default_rng(2)
        every = [clusters(rng, center) for center in (0.0, 30.0, 60.0)]
        alike = [Alike.of(units) for units in every]
        suspects = np.repeat([0, 1, 2], 12)
        doubt = doubt_of(
            distances_of(alike, suspects), suspects, np.ones(36, dtype=bool), np.ones(36)
        )
        near, far = (
            sorted(one.distance(np.full(6, place)) for one in alike) for place in (30.0, 45.0)
        )

        assert chance_simulated(doubt, *near[:2]) > 0.9
        assert chance_simulated(doubt, *far[:2]) < 0.1


#: Classes of a made-up library, with what a meter shows of an output of 5 V, and a current.
_SHOWN = {
    HEALTHY: ((5.0, 0.1),),
    "output-low": ((4.5, 0.1),),
    "output-high": ((5.5, 0.1),),
    "idle-over-consumption": ((5.0, 0.3),),
    "bench-meter-scale": ((0.5, 0.1), (50.0, 0.1)),
    "bench-meter-elsewhere": ((0.0, 0.1),),
}


def made_up(rng: np.random.Generator, kind: str, place: int) -> Member:
    """Return a unit that reads what its class does, within a per cent and a millivolt."""
    volts, amperes = _SHOWN[kind][place % len(_SHOWN[kind])]
    features = {}
    for name in ("start, 100 %", "nominal", "last hold"):
        features[f"{name}: meter.voltage_dc"] = volts * rng.normal(1.0, 0.01) + rng.normal(0, 1e-3)
        features[f"{name}: current"] = amperes * rng.normal(1.0, 0.01)
    return Member(kind=kind, severity=np.nan, passed=False, features=features, cold={})


def test_a_class_the_library_lacks_gets_no_sure_name(profile: Profile) -> None:
    """No reading at all lies between a tenth and ten times of the true one: it is neither."""
    rng = np.random.default_rng(3)
    every = [made_up(rng, kind, place) for kind in _SHOWN for place in range(12)]
    lacking = "bench-meter-elsewhere"
    library = compiled(profile, [one for one in every if one.kind != lacking])
    told = [ranked(library, made_up(rng, lacking, place).features) for place in range(4)]
    known = [ranked(library, made_up(rng, kind, 0).features) for kind in _SHOWN if kind != lacking]

    assert all(one.is_unlike and one.suspects[0].probability <= 0.5 for one in told)
    assert not any(one.is_unlike for one in known)
