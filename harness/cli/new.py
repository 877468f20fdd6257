"""``softwake new``: commented files to begin with, from a few questions."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

import typer

from harness.cli.asking import Interview, choice, date, quantity
from harness.cli.options import commands
from harness.errors import UsageError
from harness.files.field_types import read_line
from harness.new.drafts import (
    BenchAnswers,
    Nameplate,
    ProfileAnswers,
    UnitAnswers,
    draft_bench,
    draft_profile,
    draft_unit,
)
from harness.profile.bench_file import Accuracy
from harness.quantity import shown

app = commands("Write a commented file to begin with, from a few questions.")


def _answer(help_text: str) -> Any:
    """Return the type of an option that answers a question; left out, it is asked for."""
    return Annotated[str | None, typer.Option(help=help_text)]


_NAMEPLATE = {
    "title": _answer("What kind of unit it is, in one line."),
    "kind": _answer("Its input: dc or ac."),
    "nominal": _answer('Nominal input voltage, such as "24 V".'),
    "tolerance": _answer('Its tolerance, such as "10 %".'),
    "current": _answer('Nominal input current, such as "1.2 A".'),
    "frequency": _answer('Line frequencies of an AC input: "60 Hz, 50 Hz".'),
    "bulk_capacitance": _answer('Bulk capacitance, such as "470 uF".'),
    "idle_power": _answer('Draw with nothing on the output, such as "600 mW".'),
    "start_threshold": _answer("Input voltage at which the unit begins to work."),
    "output_voltage": _answer('Output voltage, DC, such as "5 V".'),
    "output_current": _answer('Output current, such as "2 A".'),
    "protection_class": _answer("Protection class: I, II or III."),
}
_PROFILE = _NAMEPLATE | {
    "sample_time": _answer('Time between two readings of your supply, such as "10 ms".'),
    "load": Annotated[
        bool | None, typer.Option("--load/--no-load", help="With a load step, or without.")
    ],
}
_BENCH = {
    "name": _answer("What the workshop calls the bench."),
    "visa": _answer("VISA library: @py, or system for the installed one."),
    "kind": _answer("What the supply gives: dc or ac."),
    "supply": _answer("VISA address of the supply."),
    "voltage": _answer('Its largest voltage, such as "60 V".'),
    "current": _answer('Its largest current, such as "10 A".'),
    "identity": _answer("Text its answer to *IDN? must contain."),
    "voltage_accuracy": _answer('Accuracy of its voltage reading, such as "0.05 % + 10 mV".'),
    "current_accuracy": _answer('Accuracy of its current reading, such as "0.2 % + 2 mA".'),
    "calibration_due": _answer("Day its calibration is due, such as 2027-05-01."),
    "meter": _answer("VISA address of the meter; none for no meter."),
    "load": _answer("VISA address of the load; none for no load."),
}
_UNIT = _NAMEPLATE | {
    "serial": _answer("Serial number of the unit."),
    "applied": _answer("What was applied: dc or ac."),
    "applied_voltage": _answer('Voltage applied, such as "230 V".'),
    "opened": _answer("What opened: fuse, breaker, nothing, unknown."),
    "note": _answer("The story in a sentence."),
    "fuse_current": _answer('Rated current of the fuse, such as "2 A".'),
    "fuse_voltage": _answer('Rated voltage of the fuse: "250 V".'),
    "varistor": _answer('Continuous AC rating of the varistor, such as "150 V".'),
    "bulk_voltage": _answer('Rated voltage of the bulk capacitor, such as "200 V".'),
}

_Draft = Callable[[Interview], str]


def _command(name: str, options: dict[str, Any], afterwards: str) -> Callable[[_Draft], _Draft]:
    """Make a command of a function that asks, and returns the content of a file.

    Args:
        name: What is drafted.
        options: The options that answer its questions, with their types.
        afterwards: What is said of the written file, ``{file}``.
    """

    def register(draft: _Draft) -> _Draft:
        def command(
            to: Annotated[Path, typer.Option("--to", help="The file to write.")],
            force: Annotated[
                bool, typer.Option("--force", help="Overwrite the file if it is there.")
            ],
            yes: Annotated[
                bool, typer.Option("--yes", help="Do not ask: take the default of all questions.")
            ],
            **answers: Any,
        ) -> None:
            interview = Interview(answers, silent=yes)
            _refuse_existing(to, force=force)
            interview.begin()
            _write(to, draft(interview), force=force)
            typer.echo(afterwards.format(file=f'"{to}"' if " " in str(to) else to))

        # typer learns the options of a command from its signature
        defaults = {"to": Path(f"{name}.toml"), "force": False, "yes": False}
        hints = inspect.get_annotations(command, eval_str=True)
        parameters = {option: hints[option] for option in defaults} | options
        command.__signature__ = inspect.Signature(  # type: ignore[attr-defined]
            [
                inspect.Parameter(
                    option,
                    inspect.Parameter.KEYWORD_ONLY,
                    default=defaults.get(option),
                    annotation=annotation,
                )
                for option, annotation in parameters.items()
            ]
        )
        app.command(name, help=draft.__doc__)(command)
        return draft

    return register


@_command(
    "profile",
    _PROFILE,
    "It does not know your unit: replace the figures marked CHECK.\n"
    "Then, energising nothing:\n  softwake plan {file}\n  softwake rehearse {file}",
)
def profile(interview: Interview) -> str:
    """Draft a profile: what to do to a kind of unit. It plans and rehearses as it stands."""
    nameplate = _nameplate(interview)
    interview.section("Your bench")
    sample_s = interview.ask(
        "sample_time",
        "Time between two readings of the supply",
        quantity("s", 1e-4, 1.0),
        "10 ms" if nameplate.kind == "dc" else "50 ms",
    )
    load = nameplate.output_v is not None and interview.yes(
        "load", "Is there an electronic load, for a load step?"
    )
    return draft_profile(ProfileAnswers(nameplate=nameplate, sample_s=sample_s, load=load))


@_command(
    "bench",
    _BENCH,
    "Complete the lines that are not known yet.\n"
    "Then find the instruments, energising nothing:\n  softwake bench {file}",
)
def bench(interview: Interview) -> str:
    """Draft a bench file: your instruments, how to reach them, how exact they are."""
    ask, ask_if_known = interview.ask, interview.ask_if_known
    interview.section("The bench")
    name = ask("name", "Name of the bench", read_line, "Bench 1")
    library = ask("visa", "VISA library: @py, or system", choice("@py", "system"), "@py")
    interview.section("The supply")
    kind = ask("kind", "It gives dc or ac", _KINDS, "dc")
    usual_v, usual_a = {"dc": ("60 V", "10 A"), "ac": ("300 V", "8 A")}[kind]
    answers = BenchAnswers(
        name=name,
        visa="" if library == "system" else library,
        kind=kind,
        supply=ask("supply", "Its VISA address", _visa_address, _address(10)),
        voltage_v=ask("voltage", "Its largest voltage", quantity("V", 1, 1e4), usual_v),
        current_a=ask("current", "Its largest current", _AMPS, usual_a),
        identity=ask_if_known("identity", "Text its *IDN? answer must contain", read_line),
        voltage_accuracy=ask_if_known(
            "voltage_accuracy",
            "Accuracy of its voltage reading, from the data sheet",
            _accuracy("V"),
        ),
        current_accuracy=ask_if_known(
            "current_accuracy", "Accuracy of its current reading", _accuracy("A")
        ),
        calibration_due=ask_if_known("calibration_due", "Calibration due on", date),
        meter=_further(interview, "meter", "The meter", 11),
        load=_further(interview, "load", "The electronic load", 12),
    )
    return draft_bench(answers)


@_command(
    "unit",
    _UNIT,
    "Complete parts and story.\n"
    "Then see what was over-stressed, energising nothing:\n  softwake assess {file}",
)
def unit(interview: Interview) -> str:
    """Draft a unit file: what happened, and the parts in the path. It can be assessed at once."""
    ask, ask_if_known = interview.ask, interview.ask_if_known
    nameplate = _nameplate(interview)
    interview.section("This unit, and what happened to it")
    nominal = f"{nameplate.nominal_v:.4g} V"
    opened = ("fuse", "breaker", "nothing", "unknown")
    answers = UnitAnswers(
        nameplate=nameplate,
        serial=ask("serial", "Serial number", read_line, "HRW-0000"),
        event_kind=ask("applied", "Applied: dc or ac", _KINDS, nameplate.kind),
        event_v=ask("applied_voltage", "Voltage applied", _VOLTS, nominal),
        opened=ask("opened", f"What opened: {', '.join(opened)}", choice(*opened), "unknown"),
        note=ask_if_known("note", "The story in a sentence", read_line),
        fuse_a=ask("fuse_current", "Fuse, rated current", _AMPS, "2 A"),
        fuse_v=ask("fuse_voltage", "Fuse, rated voltage", _VOLTS, "250 V"),
        varistor_v=ask_if_known("varistor", "Varistor, continuous AC rating", _VOLTS, "none"),
        bulk_v=None
        if nameplate.bulk_capacitance_f is None
        else ask_if_known("bulk_voltage", "Bulk capacitor, rated voltage", _VOLTS),
    )
    return draft_unit(answers)


_KINDS = choice("dc", "ac")
_VOLTS = quantity("V", 0.1, 1e4)
_AMPS = quantity("A", 1e-3, 1e3)


def _nameplate(interview: Interview) -> Nameplate:
    """Ask for what stands on the unit, and what the circuit diagram adds."""
    ask, ask_if_known = interview.ask, interview.ask_if_known
    interview.section("The unit: its nameplate, and its circuit diagram")
    title = ask("title", "What kind of unit is it", read_line, "Repaired unit")
    kind = ask("kind", "Input: dc or ac", _KINDS, "dc")
    ac = kind == "ac"
    nominal_v = ask(
        "nominal", "Nominal input voltage", quantity("V", 1, 1e3), "120 V" if ac else "24 V"
    )
    tolerance_frac = ask("tolerance", "Its tolerance", quantity("%", 0.001, 0.5), "10 %")
    current_a = ask("current", "Nominal input current", _AMPS, "1.2 A")
    full_w = nominal_v * current_a
    output_v = ask_if_known("output_voltage", "Output voltage, DC", quantity("V", 0.1, 1e3), "none")
    output_a = None
    if output_v is not None:
        most_a = full_w / output_v
        amps = quantity("A", 1e-4 * most_a, most_a)
        output_a = ask("output_current", "Output current", amps, f"{most_a * 0.5:.2g} A")
    return Nameplate(
        title=title,
        kind=kind,
        nominal_v=nominal_v,
        tolerance_frac=tolerance_frac,
        current_a=current_a,
        frequency_hz=ask("frequency", "Line frequencies", _frequencies, "60 Hz, 50 Hz")
        if ac
        else (),
        bulk_capacitance_f=ask_if_known(
            "bulk_capacitance", "Bulk capacitance behind the input", quantity("F", 1e-9, 10.0)
        ),
        idle_power_w=ask_if_known(
            "idle_power",
            "Power it draws with nothing on the output",
            quantity("W", 1e-4 * full_w, full_w),
        ),
        start_threshold_v=ask_if_known(
            "start_threshold",
            "Input voltage at which it begins to work",
            quantity("V", 0.1 * nominal_v, nominal_v),
        ),
        output_v=output_v,
        output_a=output_a,
        protection_class=ask(
            "protection_class",
            "Protection class: I, II or III",
            choice("I", "II", "III"),
            "II" if ac else "III",
        ),
    )


def _further(interview: Interview, name: str, title: str, host: int) -> str | None:
    """Ask for an instrument that a bench may do without."""

    def read(answer: str) -> str | None:
        return None if answer.casefold() == "none" else _visa_address(answer)

    interview.section(title)
    return interview.ask(name, "VISA address, or none", read, _address(host))


def _visa_address(answer: str) -> str:
    if "::" not in read_line(answer):
        raise ValueError(f"{shown(answer)} is no VISA address; for example: {_address(10)}")
    return answer


def _frequencies(answer: str) -> tuple[float, ...]:
    return tuple(map(quantity("Hz", 10.0, 1000.0), answer.split(",")))


def _address(host: int) -> str:
    """Return an address for documentation (RFC 5737): no instrument answers there by accident."""
    return f"TCPIP0::192.0.2.{host}::5025::SOCKET"


def _accuracy(unit: str) -> Callable[[str], str]:
    """Return a reader of an accuracy: checked, and kept as it was written."""

    def read(answer: str) -> str:
        Accuracy.parse(answer, unit)
        return answer

    return read


def _refuse_existing(to: Path, *, force: bool) -> None:
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
        _refuse_existing(to, force=False)
    except OSError as error:
        raise UsageError(f"it cannot be written: {error.strerror}", where=str(to)) from error
    typer.echo(f"\nwrote {to}")
