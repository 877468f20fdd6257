from __future__ import annotations

import inspect
import pickle

import pytest

from harness import errors
from harness.errors import (
    CommandRefused,
    FileError,
    HarnessError,
    InstrumentError,
    LinkTimeout,
    Mistake,
    PowerOffUnconfirmed,
    Refused,
    UsageError,
    did_you_mean,
)

CLASSES = [
    item
    for name, item in vars(errors).items()
    if name[0] != "_" and inspect.isclass(item) and issubclass(item, Exception)
]


class TestMistake:
    @pytest.mark.parametrize(
        ("mistake", "text"),
        [
            (
                Mistake("a.toml", 4, "steps[0].dwell", "this key is missing", 'dwell = "1 s"'),
                'a.toml:4: steps[0].dwell: this key is missing; for example: dwell = "1 s"',
            ),
            (Mistake("a.toml", None, "", "there is no such file"), "a.toml: there is no such file"),
            (Mistake("a.toml", 1, "", "no text file"), "a.toml:1: no text file"),
        ],
    )
    def test_names_file_line_key_problem_and_example(self, mistake: Mistake, text: str) -> None:
        """A mistake reads as file, line, key, problem and example, as far as there are any."""
        assert str(mistake) == text

    def test_an_error_carries_all_of_them(self) -> None:
        """A file's error shows every mistake on its own line and keeps them as facts."""
        mistakes = (Mistake("a.toml", 1, "x", "one"), Mistake("a.toml", 2, "y", "two"))

        error = FileError(iter(mistakes))

        assert error.mistakes == mistakes
        assert str(error) == "a.toml:1: x: one\na.toml:2: y: two"


class TestTree:
    @pytest.mark.parametrize("error", CLASSES)
    def test_has_one_root(self, error: type[Exception]) -> None:
        """Everything raised on purpose is a HarnessError."""
        assert issubclass(error, HarnessError)

    @pytest.mark.parametrize(
        ("error", "code"),
        [
            (FileError, 2),
            (UsageError, 2),
            (Refused, 5),
            (LinkTimeout, 5),
            (CommandRefused, 3),
            (PowerOffUnconfirmed, 6),
        ],
    )
    def test_decides_the_exit_code(self, error: type[HarnessError], code: int) -> None:
        """An unusable file ends with 2, a run that never began with 5, the worst with 6."""
        assert error.exit_code == code

    def test_says_what_where_and_what_to_do(self) -> None:
        """A message has the place in front and the advice behind."""
        error = InstrumentError(
            "it is silent", instrument="supply (X)", message="*IDN?", remedy="check its address"
        )

        assert str(error) == "supply (X), at '*IDN?': it is silent; check its address"


class TestDidYouMean:
    @pytest.mark.parametrize(
        ("name", "hint"),
        [
            ("stat", ", did you mean 'start'?"),
            ("NOMINAL", ", did you mean 'nominal'?"),
            ("zzz", ""),
            (5, ""),
        ],
    )
    def test_names_the_nearest(self, name: object, hint: str) -> None:
        """The nearest right name is offered, whatever the case; a far one is not."""
        assert did_you_mean(name, ["start", "nominal", "load"]) == hint

    def test_bears_a_very_long_name(self) -> None:
        """A name of a million characters is answered at once."""
        assert did_you_mean("start" * 200_000, ["start"]) == ""


class TestFromProcessToProcess:
    @pytest.mark.parametrize(
        "error",
        [
            LinkTimeout("no answer", instrument="supply (x)", message="VOLT?", remedy="look"),
            PowerOffUnconfirmed("OFF", where="supply"),
            CommandRefused("no", where="keeper"),
            Refused(["One.", "Two."]),
        ],
        ids=lambda error: type(error).__name__,
    )
    def test_an_error_arrives_as_it_was(self, error: HarnessError) -> None:
        """Kind, text and every fact of it pass through the pipe to a keeper."""
        arrived = pickle.loads(pickle.dumps(error, pickle.HIGHEST_PROTOCOL))  # noqa: S301 - ours

        assert type(arrived) is type(error)
        assert str(arrived) == str(error)
        assert vars(arrived) == vars(error)
