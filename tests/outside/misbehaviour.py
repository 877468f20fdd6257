"""What instruments and units do that they should not, by name, and when it begins.

A misbehaviour is a table of the configuration, or a line to the control socket::

    {"name": "voltage-drifts", "to_v": 26.2, "over_s": 0.5, "when": {"setting_v": 24, "after_s": 1}}

``when`` has one of these beginnings, and ``after_s`` seconds from it (zero where left out):

- ``{"power": "on"}``: each time the output is switched on (the default is the first);
- ``{"power": "off"}``: when it is told to switch off;
- ``{"setting_v": V}``: when the voltage is set to V or more while the output is on;
- ``{"limit_a": A}``: when the current limit is set to A or more while the output is on;
- ``{"load": "on"}``: when the electronic load's input is switched on;
- ``{"time_s": 0}``: from the start of the bench;
- left out: at once, that is from the start, or when the control socket says so.

Each begins once. ``for_s`` ends it again; left out, it stays.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable
from typing import Any

#: Every misbehaviour, with what it does.
NAMES = {
    "supply-readings-frozen": "voltage, current and power read of the supply stand still",
    "meter-readings-frozen": "the meter repeats its last readings",
    "load-readings-frozen": "the load repeats its last readings",
    "rail-falls": "the rail falls to `to_v` (4) and stays there",
    "rail-falls-behind-frozen-meter": "both: the meter freezes, then the rail falls to `to_v` (4)",
    "relay-sticks": "OUTP OFF is taken and OUTP? says 0, but current goes on",
    "contact-welded": "ROUT:OPEN is taken, and the contact stays closed; ROUT:CLOS? says so",
    "voltage-drifts": "the true voltage leaves its setting for `to_v` within `over_s` (0)",
    "limit-changes": "the current limit is `to_a` (5) from now on; CURR? says so",
    "setting-changes": "the voltage setting is `to_v` from now on; VOLT? says so",
    "current-sign-reversed": "current and power of the supply read with the other sign",
    "questionable-bit-in-constant-current": "STAT:QUES:COND? has `bits` (1) in constant current",
    "questionable-bit-always": "STAT:QUES:COND? has `bits` (1) while the output is on",
    "commas-between-answers": "the answers to a compound message are parted by commas",
    "answer-with-unit": "the meter answers 24.01,VDC",
    "supply-answer-with-unit": "the supply's measurements have a unit: 12.000V",
    "quoted-state": 'OUTP? answers "OFF" or "ON", in quotes',
    "output-state-contradicts": "OUTP? says the opposite of what is so",
    "slow-answer-once": "one answer of `who` (supply) takes `late_s` (0.3) longer",
    "silent": "`who` (supply) answers nothing any more",
    "short-circuit": "`ohm` (0.4) across the unit's input",
    "more-power": "the unit draws `power_w` (2) more",
}


class Misbehaviours:
    """Those that go on, and those that wait for their time.

    Args:
        tables: From the configuration.
        now_s: Start of the bench.
        note: Called with what happened, for the log.
    """

    def __init__(
        self, tables: list[dict[str, Any]], now_s: float, note: Callable[..., None]
    ) -> None:
        self._note = note
        self._waiting: list[dict[str, Any]] = []
        self._timed: list[tuple[float, int, bool, dict[str, Any]]] = []
        self._count = 0
        self.on: dict[str, dict[str, Any]] = {}
        self.begins: Callable[[dict[str, Any]], None] = lambda _: None
        self.ends: Callable[[dict[str, Any]], None] = lambda _: None
        for table in tables:
            self.take(table, now_s)

    def take(self, table: dict[str, Any], now_s: float) -> None:
        """Take one up: now, at its time, or at its event."""
        if table["name"] not in NAMES:
            raise ValueError(f"no misbehaviour is named {table['name']!r}; there are {[*NAMES]}")
        when = table.get("when", {})
        if not when.keys() - {"after_s"}:
            self._at(now_s + when.get("after_s", 0.0), begin=True, table=table)
        elif "time_s" in when:
            self._at(now_s + when["time_s"], begin=True, table=table)
        else:
            self._waiting.append(table)

    def event(self, now_s: float, what: str, value: float = 0.0) -> None:
        """Let what waits for an event begin: ``power-on``, ``load-on``, ``set``, ``limit`` ..."""
        if not self._waiting:
            return
        left = []
        for table in self._waiting:
            when = table["when"]
            if (
                what == f"power-{when.get('power')}"
                or what == f"load-{when.get('load')}"
                or (what == "set" and value >= when.get("setting_v", math.inf) - 1e-6)
                or (what == "limit" and value >= when.get("limit_a", math.inf) - 1e-6)
            ):
                self._at(now_s + when.get("after_s", 0.0), begin=True, table=table)
            else:
                left.append(table)
        self._waiting = left

    def next_s(self) -> float | None:
        """Return when the next one begins or ends."""
        return self._timed[0][0] if self._timed else None

    def move(self, now_s: float) -> None:
        """Begin and end those whose time has come."""
        while self._timed and self._timed[0][0] <= now_s:
            _, _, begin, table = heapq.heappop(self._timed)
            name = table["name"]
            if begin:
                self.on[name] = table
                self._note("misbehaviour", name=name, **_plain(table))
                self.begins(table)
                if "for_s" in table:
                    self._at(now_s + table["for_s"], begin=False, table=table)
            else:
                self.on.pop(name, None)
                self._note("misbehaviour-over", name=name)
                self.ends(table)

    def _at(self, time_s: float, *, begin: bool, table: dict[str, Any]) -> None:
        self._count += 1
        heapq.heappush(self._timed, (time_s, self._count, begin, table))


def _plain(table: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in table.items() if key not in {"name", "when"}}
