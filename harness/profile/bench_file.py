"""The bench as data: which instruments there are, and how they are wired."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from harness.files.field_types import Name
from harness.files.named_file import FromFile
from harness.profile.bench_rules import ONE, SEVERAL
from harness.profile.hand_set import HandSet
from harness.profile.instruments import (
    Aux,
    EnableSwitch,
    Instrument,
    LoadInstrument,
    Meter,
    PowerMeter,
    Supply,
    Switch,
    Tester,
    printable_text,
)


class BenchFile(FromFile):
    """The instruments at hand and how they are wired."""

    name: Name = Field(examples=['"Dome workshop, bench 2"'])
    #: PyVISA library: ``""`` (system VISA), ``"@py"``, or ``"FILE.yaml@sim"``.
    visa: Annotated[str, BeforeValidator(printable_text)] = ""
    #: The one role every run needs: what feeds the unit, set by the program or by hand.
    supply: Annotated[Supply | HandSet, Field(discriminator="kind")]
    meter: Meter | None = None
    load: LoadInstrument | None = None
    #: Several of a role, by name, each wired to a place of its own.
    meters: dict[Name, Meter] = Field(default_factory=dict)
    loads: dict[Name, LoadInstrument] = Field(default_factory=dict)
    power_meter: PowerMeter | None = None
    switch: Switch | None = None
    aux: Aux | None = None  # drives the unit's enable input ...
    enable_switch: EnableSwitch | None = None  # ... or pulls it
    #: What is read by hand, by the name that the checks of a profile call it.
    testers: dict[Name, Tester] = Field(default_factory=dict)

    @property
    def instruments(self) -> dict[str, Instrument]:
        """The instruments there are: by role, and those of several by role and name."""
        feed = (self.settable, self.meter, self.load, self.power_meter, self.switch)
        there = (*feed, self.aux, self.enable_switch)
        known: dict[str, Instrument] = {each.role: each for each in there if each is not None}
        several: tuple[Mapping[str, Instrument], ...] = (self.meters, self.loads)
        for tables in several:
            known |= {f"{each.role} {name}": each for name, each in tables.items()}
        return known

    @property
    def by_hand(self) -> HandSet | None:
        """The source that a hand sets; None where the program sets the supply."""
        return self.supply if isinstance(self.supply, HandSet) else None

    @property
    def settable(self) -> Supply | None:
        """The supply that the program sets; None where a hand sets it."""
        return self.supply if isinstance(self.supply, Supply) else None

    @property
    def gives(self) -> Literal["dc", "ac"]:
        """What the supply gives."""
        return "ac" if isinstance(self.supply, HandSet) else self.supply.kind

    @property
    def fed_by(self) -> str:
        """Key of what reads the feed while power is on: the supply itself, or the power meter."""
        return "supply" if self.by_hand is None else "power_meter"

    @property
    def feed(self) -> Supply | PowerMeter:
        """What reads the feed while power is on; the keeper samples it."""
        if isinstance(self.supply, HandSet):
            assert self.power_meter is not None  # a rule of the file
            return self.power_meter
        return self.supply

    @property
    def all_meters(self) -> dict[str, Meter]:
        """Every meter, as in :attr:`instruments`."""
        return {key: each for key, each in self.instruments.items() if isinstance(each, Meter)}

    @property
    def all_loads(self) -> dict[str, LoadInstrument]:
        """Every electronic load, as in :attr:`instruments`."""
        known = self.instruments.items()
        return {key: each for key, each in known if isinstance(each, LoadInstrument)}

    @property
    def readers(self) -> tuple[str, ...]:
        """The roles of what only reads: the engine's own."""
        return self._held(kept=False)

    def _held(self, *, kept: bool) -> tuple[str, ...]:
        """Return the roles that are the keeper's, since power hangs on them; or all others."""
        fed_by = self.fed_by
        known = self.instruments.items()
        return tuple(key for key, each in known if (key == fed_by or each.kept) is kept)

    def only(self, *keys: str) -> BenchFile:
        """Return it with these instruments and no other, by their keys in :attr:`instruments`."""
        single = {role: None for role in ONE if role not in keys}
        if self.by_hand is not None:
            del single["supply"]  # no link leads to it
        several: dict[str, object] = {
            tables: {n: each for n, each in getattr(self, tables).items() if f"{role} {n}" in keys}
            for tables, role in SEVERAL.items()
        }
        return self.model_copy(update={**single, **several})

    @property
    def kept(self) -> BenchFile:
        """What of it belongs into the keeper's hands."""
        return self.only(*self._held(kept=True))
