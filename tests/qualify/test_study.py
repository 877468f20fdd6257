from __future__ import annotations

from dataclasses import replace

import pytest

from harness.profile.schema import Profile
from harness.qualify.bounds import share
from harness.qualify.campaign import Campaign, qualify_lots
from harness.qualify.population import Mix
from harness.qualify.study import Size, Study, Sweep, lots_of, study_of
from harness.qualify.unit_result import HEALTHY, End
from harness.rehearse.faults import FAULTS, faults_of
from harness.rehearse.laws import LAWS, Laws

DC = "mount-controller-board"
SIZE = Size(faulty=4, healthy=4, swept=2, swept_healthy=1)
#: The law that is swept here, and the faults that rest on it.
LAW = "ripple_by_bulk"
SWEPT = tuple(fault for fault in faults_of("dc") if LAW in FAULTS[fault].laws)


@pytest.fixture(scope="module")
def campaign(profile_a: Profile) -> Campaign:
    """A study of two seeds: the base, and one law at both ends, over the faults that rest on it."""
    lots = [
        lot
        if lot.mix is Mix.HEALTHY
        else replace(lot, faults=lot.faults or SWEPT, units=2 * len(lot.faults or SWEPT))
        for lot in lots_of(profile_a, (1, 2), SIZE)
        if set(lot.laws.unusual()) <= {LAW}
    ]
    return qualify_lots(DC, lots, workers=1)


class TestLots:
    def test_each_seed_has_its_share(self, profile_a: Profile) -> None:
        """Under the usual laws each seed has as many units of each fault, and of healthy ones."""
        base = [lot for lot in lots_of(profile_a, (1, 2), SIZE) if not lot.laws.unusual()]

        assert [(lot.seed, lot.mix, lot.units) for lot in base] == [
            (seed, mix, units)
            for seed in (1, 2)
            for mix, units in ((Mix.FAULTY, 2 * len(faults_of("dc"))), (Mix.HEALTHY, 2))
        ]

    def test_each_law_a_fault_names_is_swept_over_it(self, profile_a: Profile) -> None:
        """Every law that a fault rests on is carried out at both ends of its range."""
        swept = {
            (fault, law, number)
            for lot in lots_of(profile_a, (1, 2), SIZE)
            for law, number in lot.laws.unusual().items()
            for fault in lot.faults
        }

        for fault in faults_of("dc"):
            for law in FAULTS[fault].laws:
                ends = {LAWS[law].least, LAWS[law].most} - {getattr(Laws(), law)}
                assert {(fault, law, end) for end in ends} <= swept

    def test_each_assumption_is_swept_over_healthy_units(self, profile_a: Profile) -> None:
        """Whatever is assumed, healthy units are carried out under both ends of it."""
        swept = {
            law
            for lot in lots_of(profile_a, (1,), SIZE)
            if lot.mix is Mix.HEALTHY
            for law in lot.laws.unusual()
        }

        assert {name for name, law in LAWS.items() if law.is_assumed} <= swept


class TestStudy:
    def test_a_law_stands_beside_the_same_units(self, campaign: Campaign) -> None:
        """The figure under a law is of the units of the first seed, counted as usual as well."""
        study = study_of(campaign)
        weak = [one for one in study.sweeps if one.kind == "weak-bulk-capacitor"]

        assert {(one.law, one.value) for one in weak} == {
            (LAW, 0.0),
            (LAW, 1.0),
        }
        assert {one.usual.count for one in weak} == {study.by_seed["weak-bulk-capacitor"][0].count}
        assert all(one.missed.total == one.usual.total == 2 for one in weak)

    def test_seeds_add_up(self, campaign: Campaign) -> None:
        """The figures of the seeds add up to those of the study."""
        study = study_of(campaign)

        assert study.seeds == (1, 2)
        for one in study.rates.faults:
            assert sum(each.total for each in study.by_seed[one.kind]) == one.units
            assert sum(each.count for each in study.by_seed[one.kind]) == one.released.count

    def test_healthy_units_are_missed_where_they_are_held(self, campaign: Campaign) -> None:
        """A healthy unit that is not released counts against the profile."""
        rows = tuple(
            replace(row, end=End.REJECTED) if row.kind == HEALTHY else row for row in campaign.rows
        )
        study = study_of(replace(campaign, rows=rows))

        assert [one.count for one in study.by_seed[HEALTHY]] == [2, 2]

    def test_it_reads_back(self, campaign: Campaign) -> None:
        """Written as JSON and read again it is the same."""
        study = study_of(campaign)

        assert Study.from_json(study.to_json()) == study


class TestWorst:
    @pytest.mark.parametrize(
        ("missed", "usual", "of_all", "expected"),
        [
            ((5, 10), (1, 10), (3, 30), True),
            ((1, 10), (1, 10), (3, 30), False),
            ((2, 10), (1, 10), (9, 30), False),
            ((0, 10), (0, 10), (0, 30), False),
        ],
    )
    def test_it_is_shown_only_where_it_is_worse(
        self,
        campaign: Campaign,
        missed: tuple[int, int],
        usual: tuple[int, int],
        of_all: tuple[int, int],
        expected: bool,
    ) -> None:
        """A law counts where it misses more than the usual one, of the same units and of all."""
        sweep = Sweep(
            kind="no-start", law="droop", value=0.001, missed=share(*missed), usual=share(*usual)
        )
        better = replace(sweep, value=0.008, missed=share(0, 10))
        study = replace(
            study_of(campaign), by_seed={"no-start": (share(*of_all),)}, sweeps=(better, sweep)
        )

        assert study.worst("no-start") == (sweep if expected else None)
        assert study.worst("open-fuse") is None
