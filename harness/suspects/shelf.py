"""Where libraries are kept: in the user's cache, as data.

A folder is named for what went into it, so that another profile, bench or version of the program
has another one. ``units.jsonl`` holds the units, a line each; ``library.npz`` what a look at them
needs, read without unpickling anything. Both can be deleted at any time.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import time
import zlib
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from zipfile import BadZipFile

import numpy as np

from harness.errors import HarnessError
from harness.run.operator import StopRequest
from harness.suspects.forest import Forest
from harness.suspects.growth import WHOLE, Goal, Growth
from harness.suspects.library import Library, compiled
from harness.suspects.population import Member, run_members
from harness.suspects.stock import Stock, compiled_in, kept_in

#: Units a worker takes at a time: few, since all that are on their way are waited for.
_CHUNK = 2
_UNITS = "units.jsonl"

OnProgress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Shelf:
    """Where one library is kept."""

    stock: Stock
    folder: Path

    @classmethod
    def of(cls, stock: Stock) -> Shelf:
        """Return the place of a library in the user's cache."""
        return cls(stock, kept_in(stock))

    def library(self) -> Library | None:
        """Return the library at hand; None where there is none that can be read."""
        try:
            with (
                compiled_in(self.folder).open("rb") as file,
                np.load(file, allow_pickle=False) as stored,
            ):
                parts = {name: stored[name] for name in _ARRAYS}
                parts |= {
                    "names": tuple(stored["names"].tolist()),
                    "sharpness": float(stored["sharpness"]),
                }
                return Library(forest=Forest.of_arrays(stored), **parts)
        except (OSError, KeyError, ValueError, EOFError, BadZipFile, zlib.error):
            return None  # another version's, or cut short: it is made again

    def made(
        self,
        goal: Goal,
        run: Mapping[str, float] | None = None,
        *,
        workers: int | None = None,
        on_progress: OnProgress = lambda _done, _all: None,
        stop: StopRequest | None = None,
        now_s: Callable[[], float] = time.monotonic,
    ) -> Library:
        """Return the library, grown as far as a goal says; units that are there are kept.

        Args:
            goal: How many units of each class, and how long more than the least are waited for.
            run: Figures of the run that is asked about, by name: longer near it.
            workers: Processes; None: one for each core.
            on_progress: Told how many units there are, and how many there are to be.
            stop: Where somebody may ask to stop.
            now_s: What tells the time.

        Raises:
            HarnessError: The folder cannot be written to.
            Interrupted: Somebody wants to stop; what is done is kept.
        """
        with self._locked():
            done = self._done()
            growth = Growth(self.stock, goal, done, run=run)

            def tell() -> None:
                on_progress(len(done), max(len(done), growth.wanted))

            tell()
            self._carry_out(growth.numbers(now_s), done, workers, stop or StopRequest(), tell)
            whole = growth.is_complete and goal == WHOLE
            library = compiled(self.stock.profile, growth.members(), whole=whole)
            self._keep(library)
            return library

    def units(
        self,
        numbers: Collection[int],
        *,
        workers: int | None,
        on_progress: OnProgress = lambda _done, _all: None,
        stop: StopRequest | None = None,
    ) -> Mapping[int, Member]:
        """Return units by their numbers, those carried out that are missing; raises as `made`."""
        with self._locked():
            done = self._done()
            missing = [index for index in numbers if index not in done]

            def tell() -> None:
                on_progress(sum(1 for index in numbers if index in done), len(numbers))

            tell()
            self._carry_out(iter(missing), done, workers, stop or StopRequest(), tell)
            return {number: done[number] for number in numbers}

    @contextlib.contextmanager
    def _locked(self) -> Iterator[None]:
        from filelock import FileLock

        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            with FileLock(self.folder / "lock"):
                yield
        except OSError as error:
            raise HarnessError(
                f"the library cannot be kept: {error.strerror}", where=str(self.folder)
            ) from error

    def _carry_out(
        self,
        numbers: Iterator[int],
        done: dict[int, Member],
        workers: int | None,
        stop: StopRequest,
        tell: Callable[[], None],
    ) -> None:
        """Carry units out, keep each, and add it to those done."""
        first = next(numbers, None)
        if first is None:
            return
        # engine and instruments: not for a look at what is there
        from harness.qualify.workers import carried_out, usual_workers

        every = itertools.chain([first], numbers)
        chunks = iter(lambda: list(itertools.islice(every, _CHUNK)), [])
        work = carried_out(
            ((self.stock, chunk) for chunk in chunks),
            stop,
            workers=workers or usual_workers(),
            work=run_numbered,
        )
        with (self.folder / _UNITS).open("a", encoding="utf-8", newline="\n") as file:
            for lines in work:
                file.writelines(lines)
                file.flush()
                done.update(map(_numbered, lines))
                tell()

    def _done(self) -> dict[int, Member]:
        """Return the units there are; a line that was cut short is none."""
        try:
            text = (self.folder / _UNITS).read_text(encoding="utf-8")
        except FileNotFoundError:
            return {}
        return dict(_sound(text))

    def _keep(self, library: Library) -> None:
        arrays = {name: getattr(library, name) for name in _ARRAYS if name != "names"}
        arrays |= {"names": np.array(library.names)} | library.forest.arrays()
        kept = compiled_in(self.folder)
        fresh = kept.with_name(f"{kept.name}.{os.getpid()}.part")
        with fresh.open("wb") as file:
            np.savez_compressed(file, allow_pickle=False, **arrays)
        fresh.replace(kept)


#: What is stored of a library beside its forest.
_ARRAYS = tuple(name for name in Library.__slots__ if name != "forest")


def run_numbered(stock: Stock, indices: Sequence[int]) -> list[str]:
    """Carry units of a stock out, in a worker; return a line for each, its number in front."""
    lines = run_members(stock, indices)
    return [f"{index} {line}" for index, line in zip(indices, lines, strict=True)]


def _numbered(line: str) -> tuple[int, Member]:
    index, _, member = line.partition(" ")
    return int(index), Member.from_line(member)


def _sound(text: str) -> Iterator[tuple[int, Member]]:
    for line in text.splitlines():
        try:
            yield _numbered(line)
        except ValueError:
            continue
