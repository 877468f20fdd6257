"""A library: made, kept as data, and read back."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from harness.api import simulated_bench_file
from harness.profile.bench_file import BenchFile
from harness.profile.load import load_profile
from harness.profile.schema import Profile
from harness.qualify import workers
from harness.qualify.unit_result import HEALTHY
from harness.suspects.forest import grown
from harness.suspects.growth import Goal
from harness.suspects.library import Library, excess, filled
from harness.suspects.population import Member, laws_of
from harness.suspects.shelf import Shelf
from harness.suspects.stock import classes_of, stock_for

#: One unit of each class, and no more.
ONE = Goal(least=1, few=1, most=1, time_s=1.0)


class TestForest:
    def test_shares_are_those_of_the_library_that_grew_it(self) -> None:
        """Votes by the stored arrays are those of scikit-learn's own forest."""
        from sklearn.ensemble import ExtraTreesClassifier

        rng = np.random.default_rng(1)
        rows = rng.normal(size=(60, 5))
        kinds = np.where(rows[:, 0] > 0.0, "one", "other")
        forest = grown(rows, kinds, rows)
        model = ExtraTreesClassifier(300, max_features=0.3, bootstrap=True, random_state=1)
        model.fit(np.vstack([rows, rows]), np.concatenate([kinds, kinds]))
        asked = rng.normal(size=(20, 5))
        shares = [forest.weights(row)[kinds == "one"].sum() for row in asked]

        # leaves of bootstrap samples are pure: a tree votes for one class, or the other
        assert shares == pytest.approx(model.predict_proba(asked)[:, 0], abs=0.02)

    def test_shares_sum_to_one(self, library: Library) -> None:
        """The shares of the neighbours of a run sum to one, with and without itself."""
        row = filled(library.scaled(library.values[3]))

        assert library.forest.weights(row).sum() == pytest.approx(1.0)
        without = library.forest.weights(row, without=3)
        assert without.sum() == pytest.approx(1.0)
        assert without[3] == 0.0


class TestExcess:
    def test_inside_is_none(self) -> None:
        """A figure between those of the units is no excess; one beyond is, by its distance."""
        units = np.array([[0.0, 1.0, 2.0], [1.0, 3.0, 2.0]])

        assert excess(units, np.array([0.5, 2.0, 2.0])).tolist() == [0.0, 0.0, 0.0]
        assert excess(units, np.array([-1.0, 5.0, 2.0])).tolist() == [1.0, 2.0, 0.0]

    def test_what_is_missing_counts(self) -> None:
        """A figure that all units have and the run has not lies outside."""
        assert excess(np.ones((3, 1)), np.array([np.nan]))[0] > 0.0


class TestLaws:
    def test_the_same_and_within_range(self) -> None:
        """Laws follow from the seed and stay between the usual number and an end of the range."""
        from harness.rehearse.laws import LAWS

        assert laws_of(7) == laws_of(7) != laws_of(8)
        for seed in range(20):
            drawn = laws_of(seed)
            for name, law in LAWS.items():
                assert law.least <= getattr(drawn, name) <= law.most, name


class TestShelf:
    @pytest.fixture
    def shelf(
        self,
        profile: Profile,
        bench: BenchFile,
        members: list[Member],
        tmp_path: Path,
        monkeypatch: pytest.MonkeyPatch,
    ) -> Shelf:
        """Return a shelf whose units are at hand already."""
        shelf = Shelf(stock_for(profile, bench), tmp_path / "library")
        monkeypatch.setattr(workers, "carried_out", self._carried_out(members))
        return shelf

    @staticmethod
    def _carried_out(members: list[Member]):  # noqa: ANN205
        def carried_out(chunks, stop, *, workers, work):  # noqa: ANN001, ANN202, ARG001
            for _, indices in chunks:
                yield [f"{n} {members[n % len(members)].to_line()}" for n in indices]

        return carried_out

    def test_kept_and_read_back(self, shelf: Shelf) -> None:
        """A library is read back as it was made, without unpickling anything."""
        made = shelf.made(ONE, workers=1)
        read = shelf.library()

        assert read is not None
        assert read.names == made.names
        assert read.kinds.tolist() == made.kinds.tolist()
        assert np.array_equal(read.values, made.values, equal_nan=True)
        row = filled(made.scaled(made.values[0]))
        assert read.forest.weights(row).tolist() == made.forest.weights(row).tolist()

    def test_goes_on_where_it_was(self, shelf: Shelf) -> None:
        """Units there are stay, also after a line that was cut short; the missing ones are made."""
        shelf.made(ONE, workers=1)
        units = shelf.folder / "units.jsonl"
        before = units.read_text(encoding="utf-8")
        units.write_text(before[:-40], encoding="utf-8")
        told: list[tuple[int, int]] = []
        shelf.made(ONE, workers=1, on_progress=lambda done, count: told.append((done, count)))

        count = len(shelf.stock.kinds)
        assert told[0] == (count - 1, count)
        assert told[-1] == (count, count)

    def test_damaged_is_none(self, shelf: Shelf) -> None:
        """A library that cannot be read is none at hand, and no error."""
        shelf.made(ONE, workers=1)
        (shelf.folder / "library.npz").write_bytes(b"PK\x03\x04 cut short")

        assert shelf.library() is None

    def test_another_profile_has_another(self, profile: Profile, bench: BenchFile) -> None:
        """Profile and bench decide which library it is; the same ones have the same."""
        key = stock_for(profile, bench).key
        changed = profile.model_copy(update={"title": "another"})

        assert stock_for(profile, bench).key == key
        assert stock_for(changed, bench).key != key


def test_the_small_library_has_a_healthy_class(library: Library) -> None:
    """Figures are scaled by healthy units, which read about one spread from their center."""
    healthy = library.scaled(library.values[library.kinds == HEALTHY])

    assert np.nanmedian(np.abs(healthy)) < 1.5


def test_a_unit_is_suspected_of_what_it_can_have() -> None:
    """A charger's library has the faults of its charging stage, and none of another output."""
    profile = load_profile("lamp-battery-charger")
    classes = classes_of(profile, simulated_bench_file(profile))

    assert {"reverse-leakage", "wakes-unasked", "shorted-switch"} <= set(classes)
    assert not {"output-low", "sagging-output"} & set(classes)
