"""What the simulated unit takes for granted: every law that could be otherwise, and its range.

A nameplate does not say how a unit behaves behind it. Where the physics leaves that open, a number
here decides, in a range of what may be met at a bench. A figure that rests on such a number is
known only as well as the worst one in the range: a campaign sweeps it. Which values lie inside one
design's tolerances is another matter: see the campaigns' population.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Annotated, NamedTuple, get_type_hints

#: A source that says: nobody's but ours.
ASSUMED = "assumption"
_PRACTICE = "common practice"


class Law(NamedTuple):
    """One law of the simulated unit; its number is the field of :class:`Laws` of its name."""

    says: str  #: what the number means
    least: float  #: end of the range over which it is swept
    most: float
    source: str  #: of number and range

    @property
    def is_assumed(self) -> bool:
        """Whether nothing stands behind it but that it must be something."""
        return self.source == ASSUMED


@dataclass(frozen=True, kw_only=True, slots=True)
class Laws:
    """The numbers that decide; without more, the ones a rehearsal uses."""

    # --- input
    fuse_melting_s: Annotated[
        float, Law("melting integral of the fuse, times rating squared", 6.0, 40.0, _PRACTICE)
    ] = 15.0
    varistor_class: Annotated[
        float,
        Law("varistor voltage, times the usual one for the highest line", 0.95, 1.3, _PRACTICE),
    ] = 1.0
    varistor_exponent: Annotated[
        float, Law("exponent of the varistor's current over voltage", 20.0, 50.0, _PRACTICE)
    ] = 30.0
    diode_drop: Annotated[
        float, Law("drop of the rectifier, times 0.45 V (DC) or 1.7 V (AC)", 0.7, 1.2, _PRACTICE)
    ] = 1.0
    input_path: Annotated[
        float,
        Law(
            "resistance between fuse and bulk capacitor, times 1 % (DC: 0.75 %) of nominal voltage "
            "over current",
            0.3,
            2.0,
            ASSUMED,
        ),
    ] = 1.0
    filter_inductance_h: Annotated[
        float,
        Law(
            "AC only: inductance of the mains filter in the path, strays of its choke",
            20e-6,
            500e-6,
            _PRACTICE,
        ),
    ] = 100e-6
    inrush: Annotated[
        float,
        Law(
            "AC only: switch-on current that the cold inrush limiter allows at the peak of the "
            "nominal line, times nominal input current",
            10.0,
            40.0,
            _PRACTICE,
        ),
    ] = 25.0
    # --- boost stage
    boost_soft_start_s: Annotated[
        float,
        Law("boost stage: time from the peak of the line to its voltage", 0.05, 0.3, _PRACTICE),
    ] = 0.15
    boost_loss: Annotated[
        float, Law("boost stage: loss, of what it takes", 0.02, 0.06, _PRACTICE)
    ] = 0.035
    boost_distortion: Annotated[
        float,
        Law("boost stage: harmonic current, of the fundamental", 0.03, 0.15, _PRACTICE),
    ] = 0.08
    # --- bulk capacitor
    bulk_size: Annotated[
        float,
        Law(
            "bulk capacitance that no nameplate states, times the one that gives 15 % ripple (AC) "
            "or 400 uF for an ampere (DC)",
            0.7,
            2.0,
            _PRACTICE,
        ),
    ] = 1.0
    bulk_resistance: Annotated[
        float,
        Law(
            "series resistance of the bulk capacitor, times 50 us over its capacitance, or 0.3 ohm "
            "where that is less",
            0.4,
            3.0,
            _PRACTICE,
        ),
    ] = 1.0
    bulk_leak_s: Annotated[
        float,
        Law("leakage and bleeder resistance times bulk capacitance", 20.0, 500.0, _PRACTICE),
    ] = 50.0
    ageing: Annotated[
        float,
        Law("series resistance of an aged capacitor: 1 / share left, to this power", 0, 2, ASSUMED),
    ] = 1.0
    # --- what the converter takes
    start_margin: Annotated[
        float, Law("start of the converter, times the nameplate's threshold", 1.0, 1.3, ASSUMED)
    ] = 1.02
    stop_share: Annotated[
        float, Law("stop of the converter, times its start (hold-up)", 0.5, 0.95, ASSUMED)
    ] = 0.8
    restart_delay_s: Annotated[
        float, Law("time from a stop to the next start", 0.01, 1.0, _PRACTICE)
    ] = 0.05
    soft_start_s: Annotated[
        float, Law("time from zero to nominal output", 0.005, 0.1, _PRACTICE)
    ] = 0.02
    idle_share: Annotated[
        float, Law("idle power, of the nameplate's highest", 0.5, 0.95, ASSUMED)
    ] = 0.82
    efficiency: Annotated[
        float,
        Law("efficiency of the converter at full load", 0.86, 0.93, _PRACTICE),
    ] = 0.89
    square_loss: Annotated[
        float,
        Law("share of the load's loss that grows with its square", 0.0, 1.0, ASSUMED),
    ] = 0.5
    loss_by_line: Annotated[
        float,
        Law("all loss of the converter: bulk voltage over nominal, to this power", -1, 1, ASSUMED),
    ] = 0.0
    # --- what it gives
    output_limit: Annotated[
        float, Law("current limit of the output, of nominal", 1.1, 1.5, _PRACTICE)
    ] = 1.25
    droop: Annotated[
        float, Law("fall of the output at full load, of nominal", 0.001, 0.008, ASSUMED)
    ] = 0.004
    line_regulation: Annotated[
        float, Law("rise of the output when bulk voltage doubles", 0.0, 0.004, ASSUMED)
    ] = 0.002
    output_energy: Annotated[
        float, Law("energy of the output capacitor, of the bulk capacitor's", 0.01, 0.08, ASSUMED)
    ] = 0.05
    output_bleed: Annotated[
        float, Law("bleeder of the output, times nominal load resistance", 100.0, 2000.0, ASSUMED)
    ] = 500.0
    # --- its ripple
    ripple: Annotated[
        float, Law("switching ripple, times 0.04 % of the output and 6 mV", 0.3, 1.5, ASSUMED)
    ] = 1.0
    ripple_at_idle: Annotated[
        float, Law("share of the switching ripple that is there without load", 0.1, 1.0, ASSUMED)
    ] = 0.5
    ripple_by_bulk: Annotated[
        float,
        Law(
            "growth of the switching ripple for each whole printed capacitance that the bulk "
            "capacitor has too little, 1 / share left - 1",
            0.0,
            1.0,
            ASSUMED,
        ),
    ] = 0.8
    line_rejection: Annotated[
        float,
        Law("share of the bulk capacitor's ripple that comes through", 0.0003, 0.01, _PRACTICE),
    ] = 0.003
    # --- of a battery charger
    charge_share: Annotated[
        float, Law("charger only: current of the charge, of the nameplate's", 0.93, 1.05, _PRACTICE)
    ] = 1.0
    wake_share: Annotated[
        float, Law("charger only: voltage at which it wakes, of the nameplate's", 0.7, 1.0, ASSUMED)
    ] = 0.9
    wake_delay_s: Annotated[
        float, Law("charger only: time until a battery counts as there", 0.2, 3.0, ASSUMED)
    ] = 1.0
    end_share: Annotated[
        float,
        Law("charger only: current at which a charge ends, of the nameplate's", 0.5, 1.0, ASSUMED),
    ] = 0.9
    drain_share: Annotated[
        float,
        Law(
            "charger only: what it draws without mains, of the nameplate's most", 0.05, 0.8, ASSUMED
        ),
    ] = 0.3
    # --- its case
    case_rise_k_per_w: Annotated[
        float, Law("rise of the case for each watt of loss", 2.0, 8.0, _PRACTICE)
    ] = 4.0
    case_heating_s: Annotated[float, Law("time constant of the case", 200.0, 1800.0, _PRACTICE)] = (
        600.0
    )
    # --- who stands beside it
    overlooked: Annotated[
        float,
        Law(
            "chance that a person who is asked overlooks what there is to see or feel",
            0.0,
            0.1,
            ASSUMED,
        ),
    ] = 0.02
    felt_air: Annotated[
        float,
        Law("share of the usual air below which a person feels none", 0.1, 0.5, ASSUMED),
    ] = 0.25

    def unusual(self) -> dict[str, float]:
        """Return the numbers that are not the usual ones, by their names."""
        usual = Laws()
        return {
            name: getattr(self, name)
            for name in LAWS
            if getattr(self, name) != getattr(usual, name)
        }

    def but(self, name: str, value: float) -> Laws:
        """Return these laws with one number changed; ValueError: no such law, or not so far."""
        law = LAWS.get(name)
        if law is None:
            raise ValueError(f"there is no law {name!r}; there are {', '.join(LAWS)}")
        if not law.least <= value <= law.most:
            raise ValueError(f"{name} is from {law.least:g} to {law.most:g} ({law.says})")
        return replace(self, **{name: value})


#: Every law, by the field of :class:`Laws` that holds its number.
LAWS: Mapping[str, Law] = {
    name: hint.__metadata__[0] for name, hint in get_type_hints(Laws, include_extras=True).items()
}

#: What stands in an equation of its own and has no number to sweep.
FIXED: tuple[str, ...] = (
    "the converter is a power balance: it takes constant power, whatever the bulk voltage does",
    "further outputs are windings on one core: the emf of the first, less what their load drops",
    "a standby output is a second converter; a signal is high from 90 % of the main output on",
    "a leaky bulk capacitor leaks like a resistor, from zero volts on",
    "a varistor fails short, at its rated energy; a rating is no limit of destruction",
    "a fuse is one store of heat that carries 1.55 times its rating for ever",
    "leakage that forms away falls exponentially with time at voltage",
    "the ripple of the switching and of the line are unrelated and add in squares",
    "a converter that gives in to load does so at a bulk voltage in proportion to its output power",
    "a boost stage draws like a resistor; its voltage loop is slow and damped critically",
    "a person sees nothing that is not there, and overlooks each thing for itself",
    "how well air cools goes with its flow to the power 0.8; without a fan a tenth of it is left",
)
