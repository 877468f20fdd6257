"""``softwake new``: commented files to begin with, from a few questions."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import typer

from harness.cli import PLAIN
from harness.cli.asking import Interview, choice, date, quantity
from harness.cli.new_dialect import (
    DialectInterview,
    questions_of,
    see_that_it_loads,
    texts_by_operation,
)
from harness.cli.options import HELP, described, require_new, write_file
from harness.errors import UsageError
from harness.files.field_types import read_line
from harness.new.cold_checks import cold_checks
from harness.new.drafts import Nameplate, draft_bench, draft_profile, draft_unit, profile_draft
from harness.new.unit_nameplate import OPEN_FIGURES, missing_figures, nameplate_text
from harness.profile.accuracy import Accuracy
from harness.quantity import format_quantity, shown
from harness.unit.assess import assess
from harness.unit.nameplate import AcInput, nominal_ends_v
from harness.unit.unit_file import UnitFile, load_unit

app = typer.Typer(
    help="Write a commented file to begin with, from a few questions.",
    no_args_is_help=True,
    **PLAIN,
)

#: Options that answer a question, by what they are about; what is left out is asked for.
_QUESTIONS = HELP["questions"]

_KINDS = choice("dc", "ac")
_VOLTS = quantity("V", 0.1, 1e4)
_AMPS = quantity("A", 1e-3, 1e3)
_BOOT_S = quantity("s", 1e-3, 600.0)


def profile(interview: Interview) -> str:
    """Draft a profile: what to do to a kind of unit. It plans and rehearses as it stands."""
    if interview.is_given("unit"):
        return _profile_of(interview, interview.ask("unit", load_unit))
    nameplate = _nameplate(interview)
    sample_s, load = _your_bench(interview, nameplate.kind, output=nameplate.output_v is not None)
    return draft_profile(nameplate, sample_s=sample_s, load=load)


def _profile_of(interview: Interview, file: UnitFile) -> str:
    """Draft a profile from a unit file; only what its nameplate leaves out is asked."""
    missing = missing_figures(file)
    for name in _QUESTIONS["nameplate"]:
        if name not in missing and interview.is_given(name):
            raise UsageError(
                f"the nameplate stands in {file.source}",
                where=f"--{name.replace('_', '-')}",
                remedy="leave this option out, or change the unit file",
            )
    line = file.unit.input
    full_w = line.low_nominal_v * line.current_a
    within = {
        "bulk_capacitance": quantity("F", 1e-9, 10.0),
        "idle_power": quantity("W", 1e-4 * full_w, full_w),
        "busy_power": quantity("W", 1e-4 * full_w, full_w),
        "boot_time": _BOOT_S,
        "start_threshold": quantity("V", 0.1 * line.low_nominal_v, line.nominal_v),
    }
    if missing:
        interview.section("What the nameplate in the unit file leaves out")
    found: dict[str, float | None] = {}
    for name in missing:
        if name == "boot_time" and found.get("busy_power", line.busy_power_w) is None:
            continue  # it draws evenly
        found[name] = interview.ask_if_known(name, within[name])
    sample_s, load = _your_bench(interview, line.kind, output=bool(file.unit.output))
    figures = {
        name: format_quantity(value, OPEN_FIGURES[name])
        for name, value in found.items()
        if value is not None
    }
    return profile_draft(
        file.title,
        nameplate_text(file, figures),
        sample_s=sample_s,
        load=load,
        cold=cold_checks(assess(file)),
    )


def _your_bench(interview: Interview, kind: str, *, output: bool) -> tuple[float, bool]:
    """Ask for the time between two readings, and for a load where there is an output to load."""
    interview.section("Your bench")
    usual = "10 ms" if kind == "dc" else "50 ms"
    sample_s = interview.ask("sample_time", quantity("s", 1e-4, 1.0), usual)
    return sample_s, output and interview.yes("load")


def bench(interview: Interview) -> str:
    """Draft a bench file: your instruments, how to reach them, how exact they are."""
    ask, ask_if_known = interview.ask, interview.ask_if_known
    interview.section("The bench")
    name = ask("name", read_line)
    library = ask("visa", choice("@py", "system"))
    interview.section("The supply")
    kind = ask("kind", _KINDS)
    usual_v, usual_a = {"dc": ("60 V", "10 A"), "ac": ("300 V", "8 A")}[kind]
    answers = {
        "name": name,
        "visa": "" if library == "system" else library,
        "kind": kind,
        "supply": ask("supply", _visa_address),
        "voltage_v": ask("voltage", quantity("V", 1, 1e4), usual_v),
        "current_a": ask("current", _AMPS, usual_a),
        "identity": ask_if_known("identity", read_line),
        "voltage_accuracy": ask_if_known("voltage_accuracy", _accuracy("V")),
        "current_accuracy": ask_if_known("current_accuracy", _accuracy("A")),
        "calibration_due": ask_if_known("calibration_due", date),
    }
    for role, title in (("meter", "The meter"), ("load", "The electronic load")):
        interview.section(title)
        answers[role] = ask(role, _visa_address_or_none)
    return draft_bench(answers)


def unit(interview: Interview) -> str:
    """Draft a unit file: what happened, and the parts in the path. It can be assessed at once."""
    ask, ask_if_known = interview.ask, interview.ask_if_known
    nameplate = _nameplate(interview)
    interview.section("This unit, and what happened to it")
    has_bulk = nameplate.bulk_capacitance_f is not None
    answers = {
        "serial": ask("serial", read_line),
        "event_kind": ask("applied", choice("dc", "ac", "surge"), nameplate.kind),
        "event_v": ask("applied_voltage", _VOLTS, f"{nameplate.nominal_v:.4g} V"),
        "opened": ask("opened", choice("fuse", "breaker", "nothing", "unknown")),
        "note": ask_if_known("note", read_line),
        "fuse_a": ask("fuse_current", _AMPS),
        "fuse_v": ask("fuse_voltage", _VOLTS),
        "varistor_v": ask_if_known("varistor", _VOLTS),
        "bulk_v": ask_if_known("bulk_voltage", _VOLTS) if has_bulk else None,
    }
    return draft_unit(nameplate, answers)


def _nameplate(interview: Interview) -> Nameplate:
    ask, ask_if_known = interview.ask, interview.ask_if_known
    interview.section("The unit: its nameplate, and its circuit diagram")
    title = ask("title", read_line)
    kind = ask("kind", _KINDS)
    usual_v, usual_class = {"dc": ("24 V", "III"), "ac": ("120 V", "II")}[kind]
    low_v, nominal_v = ask("nominal", _nominal, usual_v)
    tolerance_frac = ask("tolerance", quantity("%", 0.001, 0.5))
    current_a = ask("current", _AMPS)
    full_w = low_v * current_a
    output_v = ask_if_known("output_voltage", quantity("V", 0.1, 1e3))
    output_a = None
    if output_v is not None:
        most_a = full_w / output_v
        amps = quantity("A", 1e-4 * most_a, most_a)
        output_a = ask("output_current", amps, f"{most_a * 0.5:.2g} A")
    watts, volts = quantity("W", 1e-4 * full_w, full_w), quantity("V", 0.1 * low_v, low_v)
    by_itself = output_v is None  # what it draws no output takes
    return Nameplate(
        title=title,
        kind=kind,
        nominal_v=nominal_v,
        low_nominal_v=low_v if low_v < nominal_v else None,
        tolerance_frac=tolerance_frac,
        current_a=current_a,
        frequency_hz=ask("frequency", _frequencies) if kind == "ac" else (),
        bulk_capacitance_f=ask_if_known("bulk_capacitance", quantity("F", 1e-9, 10.0)),
        boosted_v=_boosted_v(interview, kind, nominal_v),
        idle_power_w=ask_if_known("idle_power", watts),
        busy_power_w=(busy_w := ask_if_known("busy_power", watts) if by_itself else None),
        boot_time_s=None if busy_w is None else ask_if_known("boot_time", _BOOT_S),
        start_threshold_v=ask_if_known("start_threshold", volts),
        output_v=output_v,
        output_a=output_a,
        protection_class=ask("protection_class", choice("I", "II", "III"), usual_class),
    )


def _nominal(answer: str) -> tuple[float, float]:
    ends_v = nominal_ends_v(answer)
    if not (ends_v[0] >= 1.0 and ends_v[1] <= 1e3):
        raise ValueError(f"{shown(answer)} is outside 1 V to 1 kV, the range accepted here")
    return ends_v


def _boosted_v(interview: Interview, kind: str, nominal_v: float) -> float | None:
    """Ask for the voltage of a boost stage, which is above the peak of the line."""
    if kind != "ac":
        return None
    peak_v = AcInput.peak_factor * nominal_v
    return interview.ask_if_known("boosted_voltage", quantity("V", peak_v, 2.0 * peak_v))


def _visa_address(answer: str) -> str:
    if "::" not in read_line(answer):
        example = _QUESTIONS["bench"]["supply"]["usual"]
        raise ValueError(f"{shown(answer)} is no VISA address; for example: {example}")
    return answer


def _visa_address_or_none(answer: str) -> str | None:
    return None if answer.casefold() == "none" else _visa_address(answer)


def _frequencies(answer: str) -> tuple[float, ...]:
    return tuple(map(quantity("Hz", 10.0, 1000.0), answer.split(",")))


def _accuracy(unit: str) -> Callable[[str], str]:
    """Return a reader of an accuracy: checked, and kept as it was written."""

    def read(answer: str) -> str:
        Accuracy.parse(answer, unit)
        return answer

    return read


def _add_command(
    draft: Callable[[Interview], str], questions: Mapping[str, Any], afterwards: str
) -> None:
    """Make a command of a function that asks, and returns the content of a file."""
    name = draft.__name__

    def new(
        to: Path = Path(f"{name}.toml"), *, force: bool = False, yes: bool = False, **answers: Any
    ) -> None:
        if not force:
            require_new(to, "name another with --to, or add --force")
        content = draft(Interview(answers, questions, silent=yes))
        typer.echo()
        write_file(to, content.encode(), force=force)
        typer.echo(afterwards.format(file=f'"{to}"' if " " in str(to) else to))

    app.command(name, help=draft.__doc__)(described(new, questions))


def dialect(
    to: Path = Path("dialect.toml"),
    *,
    force: bool = False,
    yes: bool = False,
    message: list[str] | None = None,
    answer: list[str] | None = None,
    **answers: Any,
) -> None:
    """Draft a dialect: an instrument's messages, from its manual. Each question is tried on it."""
    if not force:
        require_new(to, "name another with --to, or add --force")
    questions = questions_of(_QUESTIONS["dialect"])
    given = answers | texts_by_operation("--message", message or ())
    pasted = texts_by_operation("--answer", answer or ())
    given |= {f"{operation}_answer": text for operation, text in pasted.items()}
    content = DialectInterview(Interview(given, questions, silent=yes), questions).dialect()
    see_that_it_loads(content, to.name)
    typer.echo()
    write_file(to, content.encode(), force=force)
    typer.echo(
        f'Name it in the bench file: dialect = "{to.name}"\n'
        "Then, energising nothing:\n  softwake bench BENCH"
    )


app.command("dialect", help=dialect.__doc__)(described(dialect, _QUESTIONS["dialect"]))

_add_command(
    profile,
    _QUESTIONS["nameplate"] | _QUESTIONS["profile"],
    "It does not know your unit: replace the figures marked CHECK.\n"
    "As drafted it is a pre-check, which releases no unit: it says what a release needs.\n"
    "Then, energising nothing:\n  softwake plan {file}\n  softwake rehearse {file}",
)
_add_command(
    bench,
    _QUESTIONS["bench"],
    "Complete the lines that are not known yet.\n"
    "Then find the instruments, energising nothing:\n  softwake bench {file}",
)
_add_command(
    unit,
    _QUESTIONS["nameplate"] | _QUESTIONS["unit"],
    "Complete parts and story.\n"
    "Then see what was over-stressed, energising nothing:\n  softwake assess {file}",
)
