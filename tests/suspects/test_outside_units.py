"""Units that ngspice computes, in topologies the program's circuit knows nothing of."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from harness.api import simulated_bench_file
from harness.profile.load import load_profile
from harness.profile.schema import Profile
from harness.qualify.unit_result import HEALTHY
from harness.suspects.kinds import unseen
from harness.suspects.library import Library, compiled
from harness.suspects.ranking import ranked
from harness.suspects.stock import classes_of
from tests.suspects import study, study_units
from tests.suspects.spice_played_ac import AMPS2, ENERGY, ac_computed, ac_played
from tests.suspects.spice_units import (
    LEVEL_S,
    LEVELS_V,
    SUPPLY_F,
    Parts,
    carried_out,
    computed,
    played,
)
from tests.suspects.spice_units import units as spice_units
from tests.suspects.spice_units_ac import AC, AcParts, ac_units, unknown_units
from tests.suspects.study_outside import (
    named_outside,
    outside_units,
    plain_forest_outside,
)


@pytest.fixture(autouse=True)
def _ngspice(needs_program: Callable[[str], str]) -> None:
    """Everything here is computed by ngspice."""
    needs_program("ngspice")


class TestPlayed:
    @pytest.mark.parametrize("topology", [0, 1])
    def test_a_sound_unit_passes(
        self,
        profile: Profile,
        tmp_path: Path,
        topology: int,
    ) -> None:
        """A sound unit of either topology takes its charge and its idle power, and passes."""
        curve = computed(Parts(), topology, tmp_path)
        features, ended = carried_out(profile, played(curve, Parts()))

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
        profile: Profile,
        library: Library,
        tmp_path: Path,
        kind: str,
    ) -> None:
        """A plain fault of another topology is named by a library of a few units."""
        _, topology, parts = next(one for one in reversed([*spice_units()]) if one[0] == kind)
        curve = computed(parts, topology, tmp_path)
        features, _ = carried_out(profile, played(curve, parts))

        assert ranked(library, features).suspects[0].name == kind


class TestPlayedAc:
    @pytest.mark.parametrize("topology", [0, 1, 2])
    def test_a_short_is_cut_in_the_first_level(self, tmp_path: Path, topology: int) -> None:
        """A shorted input ends at the source's limit, and trips the budget of energy."""
        parts = AcParts(topology=topology, input_short_ohm=0.5)
        curve = ac_computed(parts, tmp_path)
        _, ended = carried_out(load_profile(AC), ac_played(curve))
        end_s = curve.begins_s[1]
        amps2, watts = (
            (curve.total(column, 0, end_s) - curve.total(column, 0, end_s - 0.1)) / 0.1
            for column in (AMPS2, ENERGY)
        )

        assert ended == "energy_budget"
        assert math.sqrt(amps2) == pytest.approx(0.5, rel=0.1)
        # the short, with 0.51 ohm of fuse, feed and leads (P = I^2 R, textbook)
        assert watts == pytest.approx(amps2 * (0.5 + 0.51), rel=0.05)

    @pytest.mark.torture
    @pytest.mark.parametrize("topology", [0, 1, 2])
    def test_a_sound_unit_passes(self, tmp_path: Path, topology: int) -> None:
        """A sound unit of each topology passes, and takes what it gives and loses."""
        parts = AcParts(topology=topology)
        curve = ac_computed(parts, tmp_path)
        features, ended = carried_out(load_profile(AC), ac_played(curve))

        assert ended == "pass"
        assert features["start, 100 %: power"] == pytest.approx(parts.idle_w, abs=0.35)
        # at full load: 2.5 A behind the droop, the converter's loss, and some watts of the way in
        given_w = 2.5 * (parts.output_v - 2.5 * parts.droop_ohm)
        taken_w = features["load, 2.5 A: power"]
        assert given_w + parts.loss_w < taken_w < given_w + parts.loss_w + 8.0
        # what went in by the end of the second level lies in the capacitor, but for what the way in
        # has lost of it, at most as much again (E = C U^2 / 2, textbook)
        bulk_v = features["start, 25 %: voltage"] * math.sqrt(2.0)
        end_s = curve.begins_s[2]
        stored_j = 0.5 * parts.bulk_f * bulk_v**2
        assert 0.8 * stored_j < float(curve.rows[curve.rows[:, 0] <= end_s][-1, 3]) < 2.0 * stored_j


class TestStudy:
    def test_calibration_error(self) -> None:
        """Two units at 90 % of which one is right, two at 20 % of which none is: 0.3."""
        found = study.calibration_error(
            np.array([0.9, 0.9, 0.2, 0.2]), np.array([True, False, False, False])
        )
        assert found == pytest.approx(0.5 * 0.4 + 0.5 * 0.2)

    @pytest.mark.torture
    @pytest.mark.parametrize("name", study.PROFILES.values())
    def test_goals(self, name: str) -> None:
        """A whole library meets what the page says of each shipped pre-check, within its noise."""
        profile = load_profile(name)
        members = study_units.units(profile, *study.LIBRARY, reach=0.6)
        library = compiled(profile, members)
        own = study.counted(library, study_units.units(profile, *study.USUAL, reach=0.0))
        outside = outside_units(profile)
        first, three = named_outside(library, outside)
        plain, _ = plain_forest_outside(library, outside)

        assert own.first >= 0.95
        assert own.among_simulated <= 0.05
        assert math.isnan(own.inside) or own.inside >= 0.8
        assert sum(one.kind != HEALTHY for one in outside) >= 40
        assert (first >= 0.8, three >= 0.95) == (True, True)
        assert first > plain

    @pytest.mark.torture
    def test_a_fault_that_no_library_has(self, tmp_path: Path) -> None:
        """A varistor that gives way at nominal line is never explained by nothing."""
        profile = load_profile(AC)
        library = compiled(profile, study_units.units(profile, *study.LIBRARY, reach=0.6))
        for parts in unknown_units():
            features, ended = carried_out(profile, ac_played(ac_computed(parts, tmp_path)))

            assert ended == "fail"
            assert ranked(library, features).suspects[0].name != HEALTHY

    def test_every_fault_is_among_the_ac_units(self) -> None:
        """Every fault that the AC pre-check can show has a unit, most have two, in 3 topologies."""
        profile = load_profile(AC)
        kinds = classes_of(profile, simulated_bench_file(profile))
        seen = {*kinds} - {HEALTHY, *unseen(profile, kinds)}
        made = list(ac_units())

        assert {kind for kind, _, _ in made} == seen
        assert {parts.topology for _, _, parts in made} == {0, 1, 2}
        assert len(made) >= 45
