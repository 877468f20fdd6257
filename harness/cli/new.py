"""``softwake new``: commented files to begin with, from a few questions."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

import typer

from harness.cli import PLAIN
from harness.cli.asking import Interview, choice, date, quantity
from harness.cli.options import require_new, write_file
from harness.files.field_types import read_line
from harness.new.drafts import Nameplate, draft_bench, draft_profile, draft_unit
from harness.profile.bench_file import Accuracy
from harness.quantity import shown

app = typer.Typer(
    help="Write a commented file to begin with, from a few questions.",
    no_args_is_help=True,
    **PLAIN,
)

#: Options that answer a question, with their help; what is left out is asked for.
_NAMEPLATE = {
    "title": "What kind of unit it is, in one line.",
    "kind": "Its input: dc or ac.",
    "nominal": 'Nominal input voltage, such as "24 V".',
    "tolerance": 'Its tolerance, such as "10 %".',
    "current": 'Nominal input current, such as "1.2 A".',
    "frequency": 'Line frequencies of an AC input: "60 Hz, 50 Hz".',
    "bulk_capacitance": 'Bulk capacitance, such as "470 uF".',
    "idle_power": 'Draw with nothing on the output, such as "600 mW".',
    "start_threshold": "Input voltage at which the unit begins to work.",
    "output_voltage": 'Output voltage, DC, such as "5 V".',
    "output_current": 'Output current, such as "2 A".',
    "protection_class": "Protection class: I, II or III.",
}
_PROFILE: dict[str, Any] = _NAMEPLATE | {
    "sample_time": 'Time between two readings of your supply, such as "10 ms".',
    "load": Annotated[
        bool | None, typer.Option("--load/--no-load", help="With a load step, or without.")
    ],
}
_BENCH = {
    "name": "What the workshop calls the bench.",
    "visa": "VISA library: @py, or system for the installed one.",
    "kind": "What the supply gives: dc or ac.",
    "supply": "VISA address of the supply.",
    "voltage": 'Its largest voltage, such as "60 V".',
    "current": 'Its largest current, such as "10 A".',
    "identity": "Text its answer to *IDN? must contain.",
    "voltage_accuracy": 'Accuracy of its voltage reading, such as "0.05 % + 10 mV".',
    "current_accuracy": 'Accuracy of its current reading, such as "0.2 % + 2 mA".',
    "calibration_due": "Day its calibration is due, such as 2027-05-01.",
    "meter": "VISA address of the meter; none for no meter.",
    "load": "VISA address of the load; none for no load.",
}
_UNIT = _NAMEPLATE | {
    "serial": "Serial number of the unit.",
    "applied": "What was applied: dc or ac.",
    "applied_voltage": 'Voltage applied, such as "230 V".',
    "opened": "What opened: fuse, breaker, nothing, unknown.",
    "note": "The story in a sentence.",
    "fuse_current": 'Rated current of the fuse, such as "2 A".',
    "fuse_voltage": 'Rated voltage of the fuse: "250 V".',
    "varistor": 'Continuous AC rating of the varistor, such as "150 V".',
    "bulk_voltage": 'Rated voltage of the bulk capacitor, such as "200 V".',
}

_KINDS = choice("dc", "ac")
_VOLTS = quantity("V", 0.1, 1e4)
_AMPS = quantity("A", 1e-3, 1e3)


def profile(interview: Interview) -> str:
    """Draft a profile: what to do to a kind of unit. It plans and rehearses as it stands."""
    nameplate = _nameplate(interview)
    interview.section("Your bench")
    usual = "10 ms" if nameplate.kind == "dc" else "50 ms"
    question = "Time between two readings of the supply"
    sample_s = interview.ask("sample_time", question, quantity("s", 1e-4, 1.0), usual)
    load = nameplate.output_v is not None and interview.yes(
        "load", "Is there an electronic load, for a load step?"
    )
    return draft_profile(nameplate, sample_s=sample_s, load=load)


def bench(interview: Interview) -> str:
    """Draft a bench file: your instruments, how to reach them, how exact they are."""
    ask, ask_if_known = interview.ask, interview.ask_if_known
    interview.section("The bench")
    name = ask("name", "Name of the bench", read_line, "Bench 1")
    library = ask("visa", "VISA library: @py, or system", choice("@py", "system"), "@py")
    interview.section("The supply")
    kind = ask("kind", "It gives dc or ac", _KINDS, "dc")
    usual_v, usual_a = {"dc": ("60 V", "10 A"), "ac": ("300 V", "8 A")}[kind]
    reading = "Accuracy of its voltage reading, from the data sheet"
    answers = {
        "name": name,
        "visa": "" if library == "system" else library,
        "kind": kind,
        "supply": ask("supply", "Its VISA address", _visa_address, _address(10)),
        "voltage_v": ask("voltage", "Its largest voltage", quantity("V", 1, 1e4), usual_v),
        "current_a": ask("current", "Its largest current", _AMPS, usual_a),
        "identity": ask_if_known("identity", "Text its *IDN? answer must contain", read_line),
        "voltage_accuracy": ask_if_known("voltage_accuracy", reading, _accuracy("V")),
        "current_accuracy": ask_if_known(
            "current_accuracy", "Accuracy of its current reading", _accuracy("A")
        ),
        "calibration_due": ask_if_known("calibration_due", "Calibration due on", date),
        "meter": _further(interview, "meter", "The meter", 11),
        "load": _further(interview, "load", "The electronic load", 12),
    }
    return draft_bench(answers)


def unit(interview: Interview) -> str:
    """Draft a unit file: what happened, and the parts in the path. It can be assessed at once."""
    ask, ask_if_known = interview.ask, interview.ask_if_known
    nameplate = _nameplate(interview)
    interview.section("This unit, and what happened to it")
    nominal = f"{nameplate.nominal_v:.4g} V"
    opened = ("fuse", "breaker", "nothing", "unknown")
    answers = {
        "serial": ask("serial", "Serial number", read_line, "HRW-0000"),
        "event_kind": ask("applied", "Applied: dc or ac", _KINDS, nameplate.kind),
        "event_v": ask("applied_voltage", "Voltage applied", _VOLTS, nominal),
        "opened": ask("opened", f"What opened: {', '.join(opened)}", choice(*opened), "unknown"),
        "note": ask_if_known("note", "The story in a sentence", read_line),
        "fuse_a": ask("fuse_current", "Fuse, rated current", _AMPS, "2 A"),
        "fuse_v": ask("fuse_voltage", "Fuse, rated voltage", _VOLTS, "250 V"),
        "varistor_v": ask_if_known("varistor", "Varistor, continuous AC rating", _VOLTS, "none"),
        "bulk_v": None
        if nameplate.bulk_capacitance_f is None
        else ask_if_known("bulk_voltage", "Bulk capacitor, rated voltage", _VOLTS),
    }
    return draft_unit(nameplate, answers)


def _nameplate(interview: Interview) -> Nameplate:
    ask, ask_if_known = interview.ask, interview.ask_if_known
    interview.section("The unit: its nameplate, and its circuit diagram")
    title = ask("title", "What kind of unit is it", read_line, "Repaired unit")
    kind = ask("kind", "Input: dc or ac", _KINDS, "dc")
    usual_v, usual_class = {"dc": ("24 V", "III"), "ac": ("120 V", "II")}[kind]
    nominal_v = ask("nominal", "Nominal input voltage", quantity("V", 1, 1e3), usual_v)
    tolerance_frac = ask("tolerance", "Its tolerance", quantity("%", 0.001, 0.5), "10 %")
    current_a = ask("current", "Nominal input current", _AMPS, "1.2 A")
    full_w = nominal_v * current_a
    output_v = ask_if_known("output_voltage", "Output voltage, DC", quantity("V", 0.1, 1e3), "none")
    output_a = None
    if output_v is not None:
        most_a = full_w / output_v
        amps = quantity("A", 1e-4 * most_a, most_a)
        output_a = ask("output_current", "Output current", amps, f"{most_a * 0.5:.2g} A")
    frequency_hz: tuple[float, ...] = ()
    if kind == "ac":
        frequency_hz = ask("frequency", "Line frequencies", _frequencies, "60 Hz, 50 Hz")
    farads, watts = quantity("F", 1e-9, 10.0), quantity("W", 1e-4 * full_w, full_w)
    volts = quantity("V", 0.1 * nominal_v, nominal_v)
    idle = "Power it draws with nothing on the output"
    start = "Input voltage at which it begins to work"
    protection = "Protection class: I, II or III"
    return Nameplate(
        title=title,
        kind=kind,
        nominal_v=nominal_v,
        tolerance_frac=tolerance_frac,
        current_a=current_a,
        frequency_hz=frequency_hz,
        bulk_capacitance_f=ask_if_known(
            "bulk_capacitance", "Bulk capacitance behind the input", farads
        ),
        idle_power_w=ask_if_known("idle_power", idle, watts),
        start_threshold_v=ask_if_known("start_threshold", start, volts),
        output_v=output_v,
        output_a=output_a,
        protection_class=ask("protection_class", protection, choice("I", "II", "III"), usual_class),
    )


def _further(interview: Interview, name: str, title: str, host: int) -> str | None:
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
    """An address for documentation (RFC 5737): no instrument answers there by accident."""
    return f"TCPIP0::192.0.2.{host}::5025::SOCKET"


def _accuracy(unit: str) -> Callable[[str], str]:
    """Return a reader of an accuracy: checked, and kept as it was written."""

    def read(answer: str) -> str:
        Accuracy.parse(answer, unit)
        return answer

    return read


def _add_command(
    draft: Callable[[Interview], str], options: dict[str, Any], afterwards: str
) -> None:
    """Make a command of a function that asks, and returns the content of a file."""
    name = draft.__name__

    def command(
        to: Annotated[Path, typer.Option("--to", help="The file to write.")] = Path(f"{name}.toml"),
        force: Annotated[
            bool, typer.Option("--force", help="Overwrite the file if it is there.")
        ] = False,
        yes: Annotated[
            bool, typer.Option("--yes", help="Do not ask: take the default of all questions.")
        ] = False,
        **answers: Any,
    ) -> None:
        if not force:
            require_new(to, "name another with --to, or add --force")
        content = draft(Interview(answers, silent=yes))
        typer.echo()
        write_file(to, content.encode(), force=force)
        typer.echo(afterwards.format(file=f'"{to}"' if " " in str(to) else to))

    # typer learns the options of a command from its signature
    signature = inspect.signature(command, eval_str=True)
    *own, _ = signature.parameters.values()
    for option, told in options.items():
        kind = Annotated[str | None, typer.Option(help=told)] if isinstance(told, str) else told
        own.append(
            inspect.Parameter(option, inspect.Parameter.KEYWORD_ONLY, default=None, annotation=kind)
        )
    command.__signature__ = signature.replace(parameters=own)  # type: ignore[attr-defined]
    app.command(name, help=draft.__doc__)(command)


_add_command(
    profile,
    _PROFILE,
    "It does not know your unit: replace the figures marked CHECK.\n"
    "Then, energising nothing:\n  softwake plan {file}\n  softwake rehearse {file}",
)
_add_command(
    bench,
    _BENCH,
    "Complete the lines that are not known yet.\n"
    "Then find the instruments, energising nothing:\n  softwake bench {file}",
)
_add_command(
    unit,
    _UNIT,
    "Complete parts and story.\n"
    "Then see what was over-stressed, energising nothing:\n  softwake assess {file}",
)
