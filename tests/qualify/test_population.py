from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import UsageError
from harness.profile.load import load_profile
from harness.qualify import population as population_module
from harness.qualify.population import TOLERANCES, Drawn, Mix, Population, Tolerance
from harness.qualify.unit_result import HEALTHY
from harness.rehearse import faults
from harness.rehearse.faults import FAULTS, faults_of
from harness.rehearse.laws import LAWS, Laws
from harness.rehearse.unit_model import Defects, typical_model

UNITS = {
    "dc": load_profile("mount-controller-board").unit,
    "ac": load_profile("dome-shutter-power-unit").unit,
}
KINDS = st.sampled_from(sorted(UNITS))


def by_class(kind: str, *, places: int, chosen: tuple[str, ...] = ()) -> dict[str, list[Drawn]]:
    """The first units of each class, without their numbers in the campaign."""
    population = Population(UNITS[kind], seed=9, faults=chosen)
    drawn: dict[str, list[Drawn]] = {}
    for index in range(2 * places * len(population.faults)):
        one = population.draw(index)
        drawn.setdefault(one.kind, []).append(replace(one, index=0))
    return {name: units[:places] for name, units in drawn.items()}


class TestDraw:
    @given(KINDS, st.integers(0, 10**6), st.integers(0, 10**9))
    def test_a_number_always_gives_the_same_unit(self, kind: str, index: int, seed: int) -> None:
        """Whoever asks, and in whatever order, a number stands for one unit."""
        unit = UNITS[kind]
        other = Population(unit, seed=seed)
        other.draw(index + 1)

        assert Population(unit, seed=seed).draw(index) == other.draw(index)

    def test_numbers_and_seeds_give_different_units(self) -> None:
        """Neither two numbers nor two seeds give the same unit."""
        drawn = [Population(UNITS["dc"], seed=seed).draw(n) for seed in (1, 2) for n in (0, 2, 4)]

        assert len({one.model.bulk.capacitance_f for one in drawn}) == 6
        assert len({one.seed for one in drawn}) == 6

    @pytest.mark.parametrize("kind", UNITS)
    def test_a_fault_more_moves_no_other_unit(
        self, kind: str, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """With a fault added, unit n of every class is the one it was, healthy or faulty."""
        before = by_class(kind, places=3)
        added = replace(FAULTS["no-start"], name="another")
        monkeypatch.setattr(faults, "FAULTS", {"another": added, **FAULTS})
        monkeypatch.setattr(population_module, "FAULTS", faults.FAULTS)
        after = by_class(kind, places=3)

        assert "another" in after
        assert {name: after[name] for name in before} == before

    def test_a_fault_alone_has_the_units_it_has_among_others(self) -> None:
        """A campaign over one fault draws the units that this fault has in a campaign over all."""
        every = by_class("dc", places=2)
        alone = by_class("dc", places=2, chosen=("weak-bulk-capacitor",))

        assert alone == {name: every[name] for name in (HEALTHY, "weak-bulk-capacitor")}

    def test_a_tolerance_more_moves_no_other_value(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """With a tolerance added, only its own value is drawn differently."""
        population = Population(UNITS["ac"], seed=9)
        before = population.draw(4).model
        bulk = {
            "nominal_capacitance_f": Tolerance(least=0.9, most=1.1, source=""),
            **TOLERANCES["bulk"],
        }
        monkeypatch.setitem(TOLERANCES, "bulk", bulk)  # type: ignore[arg-type]
        after = population.draw(4).model
        same_f = before.bulk.nominal_capacitance_f

        assert after.bulk.nominal_capacitance_f != same_f
        assert replace(after, bulk=replace(after.bulk, nominal_capacitance_f=same_f)) == before

    @pytest.mark.parametrize("kind", UNITS)
    def test_half_are_healthy_and_faults_take_turns(self, kind: str) -> None:
        """Every other unit is healthy; of the rest each fault has the same number."""
        population = Population(UNITS[kind], seed=1)
        classes = len(population.faults)
        counted = Counter(population.kind_of(index) for index in range(6 * classes))

        assert counted[HEALTHY] == 3 * classes
        assert {counted[fault] for fault in population.faults} == {3}
        assert set(population.faults) == set(faults_of(kind))

    def test_faults_can_be_chosen(self) -> None:
        """With faults named, these alone are drawn, in the order given and each once."""
        population = Population(UNITS["dc"], seed=1, faults=("no-start", "open-fuse", "no-start"))

        assert population.faults == ("no-start", "open-fuse")
        assert [population.kind_of(n) for n in (1, 3, 5)] == ["no-start", "open-fuse", "no-start"]

    @pytest.mark.parametrize(
        ("name", "hint"),
        [
            ("open-fuze", r"no fault 'open-fuze', did you mean 'open-fuse'\?"),
            ("shorted-bridge-diode", "no fault 'shorted-bridge-diode'.*"),
            ("rust", "no fault 'rust'; there are current-limit-folded-back, .*weak-bulk-capacitor"),
        ],
    )
    def test_a_fault_no_such_unit_has(self, name: str, hint: str) -> None:
        """A slip in a name is answered with the right one, a strange name with all there are."""
        with pytest.raises(UsageError, match=f"^a unit with DC input has {hint}$"):
            Population(UNITS["dc"], seed=1, faults=(name,))


class TestHealthyUnits:
    @given(KINDS, st.integers(0, 10**6))
    def test_every_value_is_inside_its_tolerance(self, kind: str, index: int) -> None:
        """No component of a healthy unit is outside the tolerance that is stated for it."""
        unit = UNITS[kind]
        typical, drawn = typical_model(unit), Population(unit, seed=3).draw(2 * index)

        assert drawn.model.defects == Defects()
        assert (drawn.clear, math.isnan(drawn.severity)) == (False, True)
        for part, tolerances in TOLERANCES.items():
            if getattr(typical, part) is None:
                continue
            for name, tolerance in tolerances.items():
                usual = getattr(getattr(typical, part), name)
                value = getattr(getattr(drawn.model, part), name)
                assert tolerance.least * usual <= value <= tolerance.most * usual

    @pytest.mark.parametrize("kind", UNITS)
    def test_what_is_printed_on_a_part_stays(self, kind: str) -> None:
        """Nameplate values of parts are no matter of tolerance."""
        unit = UNITS[kind]
        typical, model = typical_model(unit), Population(unit, seed=3).draw(0).model

        assert model.bulk.nominal_capacitance_f == typical.bulk.nominal_capacitance_f
        assert model.fuse.rating_a == typical.fuse.rating_a
        assert model.converter.output_nominal_a == typical.converter.output_nominal_a

    def test_every_tolerance_names_its_source(self) -> None:
        """Each tolerance says where it comes from, and holds the typical value."""
        for tolerances in TOLERANCES.values():
            for tolerance in tolerances.values():
                assert "practice" in tolerance.source or "IEC" in tolerance.source
                assert 0 < tolerance.least <= 1.0 <= tolerance.most

    def test_both_ends_are_drawn(self) -> None:
        """Over many units a value comes near both ends of its tolerance, and is even in between."""
        population = Population(UNITS["dc"], seed=3)
        typical = typical_model(UNITS["dc"]).bulk.capacitance_f
        shares = sorted(
            population.draw(2 * n).model.bulk.capacitance_f / typical for n in range(400)
        )

        assert shares[0] < 0.81
        assert shares[-1] > 1.19
        assert sum(shares) / len(shares) == pytest.approx(1.0, abs=0.02)


class TestFaultyUnits:
    @pytest.mark.parametrize("kind", UNITS)
    def test_each_has_its_fault_and_is_else_a_healthy_one(self, kind: str) -> None:
        """A faulty unit differs from a healthy one in what its fault touches."""
        population = Population(UNITS[kind], seed=5)
        for place in range(len(population.faults)):
            drawn = population.draw(2 * place + 1)

            assert drawn.kind == population.faults[place]
            assert drawn.model.fuse.resistance_ohm > 0
            touched = (
                drawn.model.defects != Defects()
                or drawn.model.fuse.is_open
                or not drawn.model.converter.starts
                or not drawn.model.rectifier.conducts_positive
                or not drawn.model.rectifier.conducts_negative
                or FAULTS[drawn.kind].severity is not None
            )
            assert touched

    @pytest.mark.parametrize("kind", UNITS)
    def test_severities_are_drawn_from_mild_to_severe(self, kind: str) -> None:
        """Each fault that has a severity is drawn over the whole of it, and never beyond."""
        for name, fault in FAULTS.items():
            if fault.severity is None or not fault.fits(kind):
                continue
            population = Population(UNITS[kind], seed=5, faults=(name,))
            places = [
                fault.severity.place_of(population.draw(2 * number + 1).severity)
                for number in range(60)
            ]

            assert min(places) == pytest.approx(0.0, abs=0.1)
            assert max(places) == pytest.approx(1.0, abs=0.1)
            assert min(places) >= -1e-9
            assert max(places) <= 1.0 + 1e-9

    def test_a_fault_without_severity_is_clear(self) -> None:
        """What is there or not has no severity, and is clearly faulty."""
        drawn = Population(UNITS["dc"], seed=1, faults=("open-fuse",)).draw(1)

        assert drawn.clear
        assert math.isnan(drawn.severity)

    def test_no_law_changes_what_is_clearly_faulty(self) -> None:
        """A law changes what is seen of a unit: whether its ripple is doubled, the usual one says.

        Under the law of a third of the ripple every unit would seem sound.
        """
        given = {"seed": 3, "faults": ("rippling-output",), "mix": Mix.FAULTY}
        quiet = Laws().but("ripple", LAWS["ripple"].least)
        usual = [Population(UNITS["dc"], **given).draw(number) for number in range(20)]  # type: ignore[arg-type]
        other = [Population(UNITS["dc"], **given, laws=quiet).draw(number) for number in range(20)]  # type: ignore[arg-type]

        assert any(one.clear for one in usual)
        assert [one.clear for one in other] == [one.clear for one in usual]
        assert all(a.model != b.model for a, b in zip(usual, other, strict=True))
