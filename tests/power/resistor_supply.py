"""A supply with a resistor on it, written from SCPI-1999, whose status register is told by a test.

Headers in long and short form, either case, optional nodes, compound messages with ``:`` at the
root (SCPI-1999 volume 1, 6.2); a number in any format; errors -113 and -222 into a queue.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable

from harness.rehearse.clock import SimulatedClock

#: How a maker's register is made of the state: constant voltage ("cv"), constant current ("cc"),
#: output off ("off"), output off by its own protection ("prot").
CONVENTIONS: dict[str, dict[str, int]] = {
    # SCPI-1999 volume 1, STATus:QUEStionable: bit 0 VOLTage questionable, bit 1 CURRent
    # questionable; common practice: what is not held is questionable.
    "bit 0 = constant current": {"cv": 0, "cc": 1, "off": 0, "prot": 0},
    "what is not held is questionable": {"cv": 2, "cc": 1, "off": 3, "prot": 3},
    "bit 0 = protection, bit 1 = constant current": {"cv": 0, "cc": 2, "off": 0, "prot": 1},
    "bit 9 = protection, bits when off": {"cv": 0, "cc": 1, "off": 1024, "prot": 1536},
    "no bits at all": {"cv": 0, "cc": 0, "off": 0, "prot": 0},
}


def _header(spelling: str) -> re.Pattern[str]:
    """Return a pattern for a header written as manuals do: ``[:SOURce]:VOLTage[:LEVel]``."""

    def node(match: re.Match[str]) -> str:
        long = match[0]
        short = "".join(letter for letter in long if letter.isupper() or letter == "*")
        return f"(?:{re.escape(short)}|{re.escape(long.upper())})"

    pattern = re.sub(r"[A-Za-z*]+", node, spelling)
    pattern = pattern.replace("[", "(?:").replace("]", ")?")
    return re.compile(rf":?{pattern.removeprefix(':')}(\?)?(?: +(.*))?\Z", re.IGNORECASE)


class ResistorSupply:
    """Fulfils the link of a supply: its instrument and what hangs on it.

    Args:
        clock: Advanced by a millisecond a message.
        register: Status register by state.
        resistance_ohm: What is connected.
    """

    def __init__(
        self, clock: SimulatedClock, register: dict[str, int], resistance_ohm: float = 47.0
    ) -> None:
        self.name = "supply (resistor)"
        self.timeout_s = 1.0
        self.messages: list[str] = []
        self.highest_v = self.highest_a = 0.0
        self._clock = clock
        self._register = register
        self._ohm = resistance_ohm
        self._set = {"voltage": 0.0, "limit": 0.1, "protection": 70.0}
        self._on = self._tripped = False
        self._errors: list[str] = []
        self._commands: list[tuple[re.Pattern[str], Callable[[], str], Callable[[str], None]]] = [
            (_header(spelling), get, put)
            for spelling, get, put in (
                ("*IDN", lambda: "Harrow Point,PS-200,HRW-7,1.0", self._none),
                ("*CLS", lambda: "", lambda _: self._errors.clear()),
                ("SYSTem:ERRor[:NEXT]", self._next_error, self._none),
                ("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]", *self._setting("voltage")),
                ("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]", *self._setting("limit")),
                ("[SOURce:]VOLTage:PROTection[:LEVel]", *self._setting("protection")),
                ("OUTPut[:STATe]", lambda: str(int(self._on)), self._switch),
                ("MEASure[:SCALar]:VOLTage[:DC]", lambda: f"{self.state()[0]:+.6E}", self._none),
                ("MEASure[:SCALar]:CURRent[:DC]", lambda: f"{self.state()[1]:+.6E}", self._none),
                ("STATus:QUEStionable:CONDition", lambda: str(self._bits()), self._none),
            )
        ]

    def state(self) -> tuple[float, float, bool]:
        """Return voltage, current, and whether it limits (Ohm's law)."""
        if not self._on:
            return 0.0, 0.0, False
        voltage_v = min(self._set["voltage"], self._set["limit"] * self._ohm)
        return voltage_v, voltage_v / self._ohm, voltage_v < self._set["voltage"]

    def write(self, message: str) -> None:
        """Carry a message out."""
        self.query(message)

    def query(self, message: str) -> str:
        """Carry a message out; return its answer."""
        self._clock.sleep_s(0.001)
        self.messages.append(message)
        answers = [self._unit(unit.strip()) for unit in message.split(";")]
        self._protect()
        voltage_v, current_a, _ = self.state()
        self.highest_v = max(self.highest_v, voltage_v)
        self.highest_a = max(self.highest_a, current_a)
        return ";".join(filter(None, answers))

    def reopen(self) -> None:
        """Do nothing."""

    def close(self) -> None:
        """Do nothing."""

    def _unit(self, unit: str) -> str:
        for header, get, put in self._commands:
            if match := header.match(unit):
                asked, value = match.groups()
                if asked:
                    return get()
                put(value or "")
                return ""
        self._errors.append('-113,"Undefined header"')
        return ""

    def _setting(self, name: str) -> tuple[Callable[[], str], Callable[[str], None]]:
        def put(text: str) -> None:
            if 0 <= float(text) <= 70:
                self._set[name] = float(text)
            else:
                self._errors.append('-222,"Data out of range"')

        return lambda: f"{self._set[name]:.4f}", put

    def _switch(self, text: str) -> None:
        self._on = text.upper() in {"ON", "1"}
        self._tripped = False

    def _protect(self) -> None:
        if self._on and self._set["voltage"] > self._set["protection"]:
            self._on, self._tripped = False, True

    def _bits(self) -> int:
        if self._tripped:
            return self._register["prot"]
        if not self._on:
            return self._register["off"]
        return self._register["cc" if self.state()[2] else "cv"]

    def _next_error(self) -> str:
        return self._errors.pop(0) if self._errors else '0,"No error"'

    def _none(self, _: str) -> None:
        self._errors.append('-113,"Undefined header"')


def units(messages: list[str]) -> list[str]:
    """Return the program message units of messages that are no questions."""
    parts = itertools.chain.from_iterable(message.split(";") for message in messages)
    return [part.strip() for part in parts if "?" not in part]
