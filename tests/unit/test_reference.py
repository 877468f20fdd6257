"""The reference tables that ship: in order, and each with its sources."""

from __future__ import annotations

import itertools

import pytest

from harness.shipped import shipped
from harness.unit.assess import KINDS
from harness.unit.reference import reference

TABLES = ["fuse-links", "varistor-classes", "capacitors", "over-stress"]


@pytest.mark.parametrize("name", TABLES)
def test_every_table_names_its_sources(name: str) -> None:
    """Each table says where its figures come from."""
    path = shipped("shared", f"{name}.toml")

    assert path is not None
    text = path.read_text(encoding="utf-8")
    assert "Source:" in text
    assert "common practice" in text or "IEC" in text


def test_classes_and_ratings_rise() -> None:
    """Varistor classes, fuse ratings and rated voltages stand in rising order."""
    tables = reference()
    classes = [row.maximum_ac_v for row in tables.varistors.classes]

    for figures in (classes, tables.fuses.ratings_a, tables.capacitors.rated_v):
        assert all(low < high for low, high in itertools.pairwise(figures))


def test_bounds_rise_and_know_every_kind() -> None:
    """A stress is marginal before it destroys; every kind of part has bounds."""
    limits = reference().stress.limits

    assert set(limits) == set(KINDS)
    for rows in limits.values():
        for row in rows:
            assert 0.0 < row.marginal <= 1.0 <= row.destroyed


def test_an_unknown_row_is_an_error() -> None:
    """A quantity without bounds is a mistake in the harness, not a stress without a verdict."""
    with pytest.raises(KeyError, match="fuse: colour"):
        reference().stress.bounds("fuse", "colour")


def test_nothing_bears_everything() -> None:
    """Above the highest class and the highest rated voltage there is none to name."""
    tables = reference()

    assert tables.varistors.class_for(1e4, "dc") is None
    assert tables.capacitors.rated_v_for(1e4) is None


def test_a_replacing_class_is_proved_with_no_less() -> None:
    """Whatever may replace a sub-class is proved with an impulse at least as high."""
    table = reference().capacitors

    for original, others in table.replaces.items():
        assert all(table.impulse_v[other] >= table.impulse_v[original] for other in others)
