"""Options that several commands share, and files that commands write."""

from __future__ import annotations

import functools
import inspect
import tomllib
from collections.abc import Callable, Mapping
from importlib import resources
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any, TypeVar, cast

import typer

from harness.cli.completion import completion
from harness.cli.logs import OPTIONS as LOG_OPTIONS
from harness.errors import UsageError

#: What is told of arguments and options, by command.
HELP: dict[str, dict[str, Any]] = tomllib.loads(
    resources.files(__package__).joinpath("options.toml").read_text(encoding="utf-8")
)
#: Where records are, unless said otherwise.
HERE = Path("results")

_Command = TypeVar("_Command", bound=Callable[..., None])


def described(
    command: _Command, questions: Mapping[str, Mapping[str, Any]] = MappingProxyType({})
) -> _Command:
    """Give the parameters of a command the help that ``options.toml`` has for them.

    Each of the ``questions`` becomes an option that answers it, in place of ``**answers``.
    """
    told = HELP["shared"] | HELP.get(command.__name__, {})
    given = inspect.signature(command, eval_str=True).parameters.values()
    parameters = [
        each.replace(annotation=_annotated(each.annotation, each, told[each.name]))
        for each in given
        if each.kind is not each.VAR_KEYWORD
    ]
    for name, question in questions.items():
        option = inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=None)
        kind = bool if question.get("yes_no") else str
        annotation = _annotated(kind | None, option, question["help"])
        parameters.append(option.replace(annotation=annotation))
    for name, (default, annotation) in LOG_OPTIONS.items():
        option = inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=default)
        parameters.append(option.replace(annotation=annotation))

    @functools.wraps(command)
    def called(*given: Any, **named: Any) -> None:
        command(*given, **{name: value for name, value in named.items() if name not in LOG_OPTIONS})

    # typer learns the options of a command from its signature
    called.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]
    return cast("_Command", called)


def _annotated(kind: Any, parameter: inspect.Parameter, told: str | Mapping[str, Any]) -> Any:
    """Return the type of a parameter with what typer must know of it."""
    looks: dict[str, Any] = {"help": told} if isinstance(told, str) else dict(told)
    if (offered := completion(parameter.name)) is not None:
        looks["autocompletion"] = offered
    if looks.pop("argument", False):
        return Annotated[kind, typer.Argument(**looks)]
    # Unless it is named, a switch has a counterpart, --no-…, that says nothing.
    names = (f"--{parameter.name}",) if parameter.default is False else ()
    return Annotated[kind, typer.Option(*names, **looks)]


def require_new(to: Path, remedy: str) -> None:
    """Raise `UsageError` where there is a file already."""
    if to.exists():
        raise _there_already(to, remedy)


def write_file(to: Path, content: bytes, *, force: bool = False) -> None:
    """Write a file; `UsageError` where it is there already and not forced, or cannot be written."""
    try:
        with to.open("wb" if force else "xb") as file:
            file.write(content)
    except FileExistsError:
        raise _there_already(to, "name a new one") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "no file name"
        raise UsageError(f"it cannot be written: {reason}", where=str(to)) from error
    typer.echo(f"wrote {to}")


def _there_already(to: Path, remedy: str) -> UsageError:
    return UsageError("the file is there already", where=str(to), remedy=remedy)
