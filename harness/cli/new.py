"""``softwake new``: commented files to begin with, from a few questions."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from harness.cli.interview import (
    Interview,
    address,
    address_or_none,
    choice,
    date,
    frequencies,
    quantity,
    text,
)
from harness.errors import UsageError

if TYPE_CHECKING:
    from harness.new.nameplate import Nameplate

__all__ = ["app", "bench", "profile", "unit"]

app = typer.Typer(
    help="Write a commented file to begin with, from a few questions.", no_args_is_help=True
)

#: An answer of the command line; left out, it is asked for.
_Answer = str | None


def _option(help_text: str) -> Any:
    return typer.Option(help=help_text)


_To = Annotated[Path, typer.Option("--to", help="The file to write.")]
_Force = Annotated[bool, typer.Option("--force", help="Overwrite the file if it is there.")]
_Yes = Annotated[bool, typer.Option("--yes", help="Do not ask: take the default of all questions.")]
_Title = Annotated[_Answer, _option("What kind of unit it is, in one line.")]
_Kind = Annotated[_Answer, _option("Its input: dc or ac.")]
_Nominal = Annotated[_Answer, _option('Nominal input voltage, such as "24 V".')]
_Tolerance = Annotated[_Answer, _option('Its tolerance, such as "10 %".')]
_Current = Annotated[_Answer, _option('Nominal input current, such as "1.2 A".')]
_Frequency = Annotated[_Answer, _option('Line frequencies of an AC input: "60 Hz, 50 Hz".')]
_Bulk = Annotated[_Answer, _option('Bulk capacitance, such as "470 uF".')]
_Idle = Annotated[_Answer, _option('Draw with nothing on the output, such as "600 mW".')]
_Threshold = Annotated[_Answer, _option("Input voltage at which the unit begins to work.")]
_OutputV = Annotated[_Answer, _option('Output voltage, DC, such as "5 V".')]
_OutputA = Annotated[_Answer, _option('Output current, such as "2 A".')]
_Class = Annotated[_Answer, _option("Protection class: I, II or III.")]


@app.command("profile")
def profile(  # noqa: PLR0913, PLR0917 - options of the command line
    to: _To = Path("profile.toml"),
    force: _Force = False,  # noqa: FBT002 - an option of the command line
    yes: _Yes = False,  # noqa: FBT002 - an option of the command line
    title: _Title = None,
    kind: _Kind = None,
    nominal: _Nominal = None,
    tolerance: _Tolerance = None,
    current: _Current = None,
    frequency: _Frequency = None,
    bulk_capacitance: _Bulk = None,
    idle_power: _Idle = None,
    start_threshold: _Threshold = None,
    output_voltage: _OutputV = None,
    output_current: _OutputA = None,
    protection_class: _Class = None,
    sample_time: Annotated[
        _Answer, _option('Time between two readings of your supply, such as "10 ms".')
    ] = None,
    load: Annotated[
        bool | None, typer.Option("--load/--no-load", help="With a load step, or without.")
    ] = None,
) -> None:
    """Draft a profile: what to do to a kind of unit. It plans and rehearses as it stands."""
    interview = Interview(locals(), silent=yes)
    _free(to, force=force)
    interview.begin()
    nameplate = _nameplate(interview)
    interview.section("Your bench")
    sample_s = interview.ask(
        "sample_time",
        "Time between two readings of the supply",
        quantity("s", 1e-4, 1.0),
        "10 ms" if nameplate.kind == "dc" else "50 ms",
    )
    with_load = nameplate.output_v is not None and interview.yes(
        "load", "Is there an electronic load, for a load step?"
    )
    from harness.new.profile import ProfileAnswers, draft_profile

    answers = ProfileAnswers(nameplate=nameplate, sample_s=sample_s, load=with_load)
    _write(to, draft_profile(answers), force=force)
    typer.echo(
        "It does not know your unit: replace the figures marked CHECK.\n"
        "Then, energising nothing:\n"
        f"  softwake plan {_typed(to)}\n  softwake rehearse {_typed(to)}"
    )


@app.command("bench")
def bench(  # noqa: PLR0913, PLR0917 - options of the command line
    to: _To = Path("bench.toml"),
    force: _Force = False,  # noqa: FBT002 - an option of the command line
    yes: _Yes = False,  # noqa: FBT002 - an option of the command line
    name: Annotated[_Answer, _option("What the workshop calls the bench.")] = None,
    visa: Annotated[_Answer, _option("VISA library: @py, or system for the installed one.")] = None,
    kind: Annotated[_Answer, _option("What the supply gives: dc or ac.")] = None,
    supply: Annotated[_Answer, _option("VISA address of the supply.")] = None,
    voltage: Annotated[_Answer, _option('Its largest voltage, such as "60 V".')] = None,
    current: Annotated[_Answer, _option('Its largest current, such as "10 A".')] = None,
    identity: Annotated[_Answer, _option("Text its answer to *IDN? must contain.")] = None,
    voltage_accuracy: Annotated[
        _Answer, _option('Accuracy of its voltage reading, such as "0.05 % + 10 mV".')
    ] = None,
    current_accuracy: Annotated[
        _Answer, _option('Accuracy of its current reading, such as "0.2 % + 2 mA".')
    ] = None,
    calibration_due: Annotated[
        _Answer, _option("Day its calibration is due, such as 2027-05-01.")
    ] = None,
    meter: Annotated[_Answer, _option("VISA address of the meter; none for no meter.")] = None,
    load: Annotated[_Answer, _option("VISA address of the load; none for no load.")] = None,
) -> None:
    """Draft a bench file: your instruments, how to reach them, how exact they are."""
    interview = Interview(locals(), silent=yes)
    _free(to, force=force)
    interview.begin()
    interview.section("The bench")
    name = interview.ask("name", "Name of the bench", text, "Bench 1")
    library = interview.ask(
        "visa", "VISA library: @py, or system", choice(("@py", "system")), "@py"
    )
    interview.section("The supply")
    gives = interview.ask("kind", "It gives dc or ac", choice(("dc", "ac")), "dc")
    usual = {"dc": ("60 V", "10 A"), "ac": ("300 V", "8 A")}[gives]
    from harness.new.bench import BenchAnswers, draft_bench

    answers = BenchAnswers(
        name=name,
        visa="" if library == "system" else library,
        kind=gives,
        supply=interview.ask("supply", "Its VISA address", address, _address(10)),
        voltage_v=interview.ask("voltage", "Its largest voltage", quantity("V", 1, 1e4), usual[0]),
        current_a=interview.ask(
            "current", "Its largest current", quantity("A", 1e-3, 1e3), usual[1]
        ),
        identity=interview.ask_if_known("identity", "Text its *IDN? answer must contain", text),
        voltage_accuracy=interview.ask_if_known(
            "voltage_accuracy",
            "Accuracy of its voltage reading, from the data sheet",
            _accuracy("V"),
        ),
        current_accuracy=interview.ask_if_known(
            "current_accuracy", "Accuracy of its current reading", _accuracy("A")
        ),
        calibration_due=interview.ask_if_known("calibration_due", "Calibration due on", date),
        meter=_further(interview, "meter", "The meter", 11),
        load=_further(interview, "load", "The electronic load", 12),
    )
    _write(to, draft_bench(answers), force=force)
    typer.echo(
        "Complete the lines that are not known yet.\n"
        f"Then find the instruments, energising nothing:\n  softwake bench {_typed(to)}"
    )


@app.command("unit")
def unit(  # noqa: PLR0913, PLR0917 - options of the command line
    to: _To = Path("unit.toml"),
    force: _Force = False,  # noqa: FBT002 - an option of the command line
    yes: _Yes = False,  # noqa: FBT002 - an option of the command line
    title: _Title = None,
    serial: Annotated[_Answer, _option("Serial number of the unit.")] = None,
    kind: _Kind = None,
    nominal: _Nominal = None,
    tolerance: _Tolerance = None,
    current: _Current = None,
    frequency: _Frequency = None,
    bulk_capacitance: _Bulk = None,
    idle_power: _Idle = None,
    start_threshold: _Threshold = None,
    output_voltage: _OutputV = None,
    output_current: _OutputA = None,
    protection_class: _Class = None,
    applied: Annotated[_Answer, _option("What was applied: dc or ac.")] = None,
    applied_voltage: Annotated[_Answer, _option('Voltage applied, such as "230 V".')] = None,
    opened: Annotated[_Answer, _option("What opened: fuse, breaker, nothing, unknown.")] = None,
    note: Annotated[_Answer, _option("The story in a sentence.")] = None,
    fuse_current: Annotated[_Answer, _option('Rated current of the fuse, such as "2 A".')] = None,
    fuse_voltage: Annotated[_Answer, _option('Rated voltage of the fuse: "250 V".')] = None,
    varistor: Annotated[
        _Answer, _option('Continuous AC rating of the varistor, such as "150 V".')
    ] = None,
    bulk_voltage: Annotated[
        _Answer, _option('Rated voltage of the bulk capacitor, such as "200 V".')
    ] = None,
) -> None:
    """Draft a unit file: what happened, and the parts in the path. It can be assessed at once."""
    interview = Interview(locals(), silent=yes)
    _free(to, force=force)
    interview.begin()
    nameplate = _nameplate(interview)
    interview.section("This unit, and what happened to it")
    volts = quantity("V", 0.1, 1e4)
    nominal_v = f"{nameplate.nominal_v:.4g} V"
    from harness.new.unit import UnitAnswers, draft_unit

    answers = UnitAnswers(
        nameplate=nameplate,
        serial=interview.ask("serial", "Serial number", text, "HP-0000"),
        event_kind=interview.ask("applied", "Applied: dc or ac", _KINDS, nameplate.kind),
        event_v=interview.ask("applied_voltage", "Voltage applied", volts, nominal_v),
        opened=interview.ask(
            "opened",
            "What opened: fuse, breaker, nothing, unknown",
            choice(("fuse", "breaker", "nothing", "unknown")),
            "unknown",
        ),
        note=interview.ask_if_known("note", "The story in a sentence", text),
        fuse_a=interview.ask(
            "fuse_current", "Fuse, rated current", quantity("A", 1e-3, 1e3), "2 A"
        ),
        fuse_v=interview.ask("fuse_voltage", "Fuse, rated voltage", volts, "250 V"),
        varistor_v=interview.ask_if_known(
            "varistor", "Varistor, continuous AC rating", volts, "none"
        ),
        bulk_v=None
        if nameplate.bulk_capacitance_f is None
        else interview.ask_if_known("bulk_voltage", "Bulk capacitor, rated voltage", volts),
    )
    _write(to, draft_unit(answers), force=force)
    typer.echo(
        "Complete parts and story.\nThen see what was over-stressed, energising nothing:\n"
        f"  softwake assess {_typed(to)}"
    )


_KINDS = choice(("dc", "ac"))


def _nameplate(interview: Interview) -> Nameplate:
    """Ask for what stands on the unit, and what the circuit diagram adds."""
    from harness.new.nameplate import Nameplate

    interview.section("The unit: its nameplate, and its circuit diagram")
    title = interview.ask("title", "What kind of unit is it", text, "Repaired unit")
    kind = interview.ask("kind", "Input: dc or ac", _KINDS, "dc")
    ac = kind == "ac"
    nominal_v = interview.ask(
        "nominal", "Nominal input voltage", quantity("V", 1.0, 1000.0), "120 V" if ac else "24 V"
    )
    tolerance = interview.ask("tolerance", "Its tolerance", quantity("%", 0.001, 0.5), "10 %")
    current_a = interview.ask(
        "current", "Nominal input current", quantity("A", 1e-3, 1000.0), "1.2 A"
    )
    full_w = nominal_v * current_a
    output_v = interview.ask_if_known(
        "output_voltage", "Output voltage, DC", quantity("V", 0.1, 1e3), "none"
    )
    output_a = None
    if output_v is not None:
        most_a = full_w / output_v
        output_a = interview.ask(
            "output_current",
            "Output current",
            quantity("A", 1e-4 * most_a, most_a),
            f"{most_a * 0.5:.2g} A",
        )
    return Nameplate(
        title=title,
        kind=kind,
        nominal_v=nominal_v,
        tolerance_frac=tolerance,
        current_a=current_a,
        frequency_hz=interview.ask("frequency", "Line frequencies", frequencies, "60 Hz, 50 Hz")
        if ac
        else (),
        bulk_capacitance_f=interview.ask_if_known(
            "bulk_capacitance", "Bulk capacitance behind the input", quantity("F", 1e-9, 10.0)
        ),
        idle_power_w=interview.ask_if_known(
            "idle_power",
            "Power it draws with nothing on the output",
            quantity("W", 1e-4 * full_w, full_w),
        ),
        start_threshold_v=interview.ask_if_known(
            "start_threshold",
            "Input voltage at which it begins to work",
            quantity("V", 0.1 * nominal_v, nominal_v),
        ),
        output_v=output_v,
        output_a=output_a,
        protection_class=interview.ask(
            "protection_class",
            "Protection class: I, II or III",
            choice(("I", "II", "III")),
            "II" if ac else "III",
        ),
    )


def _further(interview: Interview, name: str, title: str, host: int) -> str | None:
    """Ask for an instrument that a bench may do without."""
    interview.section(title)
    return interview.ask(name, "VISA address, or none", address_or_none, _address(host))


def _address(host: int) -> str:
    """Return an address for documentation (RFC 5737): no instrument answers there by accident."""
    return f"TCPIP0::192.0.2.{host}::5025::SOCKET"


def _accuracy(unit: str) -> Any:
    """Return a reader of an accuracy: checked, and kept as it was written."""

    def read(answer: str) -> str:
        from pydantic_core import PydanticCustomError

        from harness.files.field_types import problem_of
        from harness.profile.bench_file import Accuracy

        try:
            Accuracy.parse(answer, unit)
        except PydanticCustomError as error:
            example = "0.05 % + 10 mV" if unit == "V" else "0.2 % + 2 mA"
            raise ValueError(f"{problem_of(error)}; for example: {example}") from None
        return answer

    return read


def _free(to: Path, *, force: bool) -> None:
    """Refuse a file that is there before anybody has answered a question."""
    if to.exists() and not force:
        raise UsageError(
            "the file is there already",
            where=str(to),
            remedy="name another with --to, or add --force",
        )


def _write(to: Path, content: str, *, force: bool) -> None:
    try:
        with to.open("w" if force else "x", encoding="utf-8", newline="\n") as file:
            file.write(content)
    except FileExistsError:
        _free(to, force=False)
    except OSError as error:
        raise UsageError(f"it cannot be written: {error.strerror}", where=str(to)) from error
    typer.echo(f"\nwrote {to}")


def _typed(path: Path) -> str:
    """Return a path as it is typed into a terminal."""
    shown = str(path)
    return f'"{shown}"' if " " in shown else shown
