"""Units that ngspice computes, in topologies the program's circuit knows nothing of."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from harness.profile.schema import Profile
from harness.suspects.library import Library, compiled
from harness.suspects.ranking import ranked
from tests.suspects import study, study_units
from tests.suspects.spice_units import LEVEL_S, LEVELS_V, SUPPLY_F, Parts, computed, features_of
from tests.suspects.spice_units import units as spice_units


class TestPlayed:
    @pytest.mark.parametrize("topology", [0, 1])
    def test_a_sound_unit_passes(
        self,
        needs_program: Callable[[str], str],
        profile: Profile,
        tmp_path: Path,
        topology: int,
    ) -> None:
        """A sound unit of either topology takes its charge and its idle power, and passes."""
        curve = computed(needs_program("ngspice"), Parts(), topology, tmp_path)
        features, ended = features_of(profile, curve, Parts())

        assert ended == "pass"
        assert features["start, 100 %: current"] == pytest.approx(Parts().idle_w / 24.0, rel=0.1)
        # from 2.4 V to 6 V, below the threshold: what fills the capacitors (Q = C U, textbook)
        times, _, amperes, _ = curve.rows.T
        own = (times >= LEVEL_S) & (times < 2 * LEVEL_S)
        given_c = float(np.trapezoid(amperes[own], times[own]))
        filled_f = Parts().bulk_f + SUPPLY_F + (10e-6 if topology == 0 else 0.0)
        assert given_c == pytest.approx(filled_f * (LEVELS_V[1] - LEVELS_V[0]), rel=0.05)

    @pytest.mark.parametrize("kind", ["shorted-input", "open-fuse", "output-low"])
    def test_a_small_library_names_it(
        self,
        needs_program: Callable[[str], str],
        profile: Profile,
        library: Library,
        tmp_path: Path,
        kind: str,
    ) -> None:
        """A plain fault of another topology is named by a library of a few units."""
        _, topology, parts = next(one for one in reversed([*spice_units()]) if one[0] == kind)
        curve = computed(needs_program("ngspice"), parts, topology, tmp_path)
        features, _ = features_of(profile, curve, parts)

        assert ranked(library, features).suspects[0].name == kind


class TestStudy:
    def test_calibration_error(self) -> None:
        """Two units at 90 % of which one is right, two at 20 % of which none is: 0.3."""
        found = study.calibration_error(
            np.array([0.9, 0.9, 0.2, 0.2]), np.array([True, False, False, False])
        )
        assert found == pytest.approx(0.5 * 0.4 + 0.5 * 0.2)

    @pytest.mark.torture
    def test_goals(self, needs_program: Callable[[str], str], profile: Profile) -> None:
        """A whole library meets what the page says of the shipped DC profile, within its noise."""
        needs_program("ngspice")
        members = study_units.units(profile, *study.LIBRARY, reach=0.6)
        library = compiled(profile, members)
        own = study.counted(library, study_units.units(profile, *study.USUAL, reach=0.0))
        outside = study.outside_units(profile)
        first, three = study.named_outside(library, outside)
        plain, _ = study.plain_forest_outside(library, outside)

        assert own.first >= 0.95
        assert own.among_simulated <= 0.05
        assert math.isnan(own.inside) or own.inside >= 0.8
        assert len(outside) >= 40
        assert (first >= 0.8, three >= 0.95) == (True, True)
        assert first > plain
