"""Do the readings live? A reading that stands still proves nothing until any digit of it has moved.

An instrument whose readings froze goes on answering, well inside every bound. So a check made of a
hold counts only once each reading it rests on has, after the end of that hold, come with another
value: at the next level, with a change of the load, or when power went off.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

__all__ = ["Liveness"]

#: Readings that do not follow power: of them any change since the first one counts.
_SLOW = frozenset({"meter.temperature"})


class Liveness:
    """Follows every reading of a run by its measure name."""

    def __init__(self) -> None:
        self._last: dict[str, float] = {}
        self._changed_s: dict[str, float] = {}
        self._waiting: dict[str, dict[int, float]] = {}
        self._holds = 0

    def add(self, measure: str, time_s: float, value: float) -> None:
        """Take in a reading.

        Args:
            measure: Its measure name: ``supply.voltage``.
            time_s: When it was read, on the run's clock.
            value: The value, with every digit the instrument gave.
        """
        before = self._last.get(measure)
        if value == before:
            return
        self._last[measure] = value
        if before is not None:
            self._changed_s[measure] = time_s
        waiting = self._waiting.get(measure)
        if waiting:
            self._waiting[measure] = {hold: last for hold, last in waiting.items() if last == value}

    def end_hold(self, last: Mapping[str, float]) -> int:
        """Note the end of a hold with the last value of each of its readings.

        Returns:
            The number the hold is asked for by.
        """
        self._holds += 1
        for measure, value in last.items():
            if measure not in _SLOW or measure not in self._changed_s:
                self._waiting.setdefault(measure, {})[self._holds] = value
        return self._holds

    def last(self, measure: str) -> float | None:
        """Return the last value of a reading, or None."""
        return self._last.get(measure)

    def changed_s(self, measure: str) -> float | None:
        """Return when a reading last changed, on the run's clock; None: never yet."""
        return self._changed_s.get(measure)

    def standing(self, rests_on: Iterable[tuple[int, str]]) -> tuple[str, ...]:
        """Return which of some holds' readings have not moved since, each named once.

        Args:
            rests_on: Numbers of holds, each with a measure name.
        """
        still = [name for hold, name in rests_on if hold in self._waiting.get(name, ())]
        return tuple(dict.fromkeys(still))

    @property
    def waited_for(self) -> tuple[str, ...]:
        """Readings that have not moved yet since the end of a hold, none that power cannot move."""
        return tuple(
            name for name, waiting in self._waiting.items() if waiting and name not in _SLOW
        )
