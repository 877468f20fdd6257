"""What whoever watches a run is told at its begin, and before each question to the operator."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator
from typing import Any

from harness.profile.level import Level
from harness.profile.nameplate_figures import nameplate_figures
from harness.profile.plan import Plan
from harness.record.events import EventKind
from harness.record.figures import KnownFigures, known_detail
from harness.record.run_summary import plain
from harness.run.context import Context
from harness.run.operator import Answer, Operator
from harness.run.result import RunInfo


def plan_detail(plan: Plan, info: RunInfo, begun: dt.datetime) -> str:
    """Return the plan of a run in numbers, as JSON on one line: the detail of the first event.

    ``begun`` is the moment, in UTC, from which the run's clock counts.
    """
    nameplate = nameplate_figures(plan.profile.fed.input)
    told = {
        "serial": info.serial,
        "title": plan.profile.title,
        "operator": info.operator,
        "rehearsal": info.rehearsal,
        "begun_utc": begun,
        "bench": "" if plan.bench is None else plan.bench.name,
        "supply": "" if plan.bench is None else plan.bench.feed.resource,
        "fed_by": "supply" if plan.bench is None else plan.bench.fed_by,
        "cannot_release": plan.cannot_release,
        "envelope": plan.profile.envelope.model_dump(mode="json"),
        "known": known_detail(KnownFigures(nameplate=nameplate, earlier=info.earlier)),
        "steps": [
            {
                "name": step.name,
                "kind": step.kind,
                "levels": [*_levels(step.levels)],
                "restart": [*_levels(step.restart)],
                "checks": [check.name for check in step.checks],
            }
            for step in plan.steps
        ],
    }
    return json.dumps(plain(told), allow_nan=False)


def _levels(levels: tuple[Level, ...]) -> Iterator[dict[str, Any]]:
    for level in levels:
        yield {
            "label": level.label,
            "voltage_v": level.voltage_v,
            "current_limit_a": level.current_limit_a,
            "dwell_s": level.dwell_s,
            "load": "" if level.load is None else level.load.label,
            "allowance": level.budget is not None or level.time_at_limit_s is not None,
        }


class Announced(Operator):
    """An operator whose every question is noted before it is asked."""

    def __init__(self, operator: Operator, context: Context) -> None:
        self._operator = operator
        self._context = context

    def place_meter(self, where: str, text: str) -> bool:
        """Note and ask; see :class:`Operator`."""
        self._note(text)
        return self._operator.place_meter(where, text)

    def place_load(self, load: str, text: str) -> bool:
        """Note and ask; see :class:`Operator`."""
        self._note(text)
        return self._operator.place_load(load, text)

    def pull_enable(self, text: str, *, pulled: bool) -> bool:
        """Note and ask; see :class:`Operator`."""
        self._note(text)
        return self._operator.pull_enable(text, pulled=pulled)

    def move_load(self, output: str, text: str) -> bool:
        """Note and ask; see :class:`Operator`."""
        self._note(text)
        return self._operator.move_load(output, text)

    def turn_leads(self, text: str) -> bool:
        """Note and ask; see :class:`Operator`."""
        self._note(text)
        return self._operator.turn_leads(text)

    def ask_value(self, prompt: str, unit: str) -> tuple[float | None, str]:
        """Note and ask; see :class:`Operator`."""
        self._note(prompt)
        return self._operator.ask_value(prompt, unit)

    def ask_yes_no(self, prompt: str) -> tuple[bool | None, str]:
        """Note and ask; see :class:`Operator`."""
        self._note(prompt)
        return self._operator.ask_yes_no(prompt)

    def ask_meanwhile(self, prompt: str, unit: str | None) -> None:
        """Note and ask; see :class:`Operator`."""
        self._note(prompt)
        self._operator.ask_meanwhile(prompt, unit)

    def answer(self) -> Answer | None:
        """See :class:`Operator`."""
        return self._operator.answer()

    def asked_enough(self) -> None:
        """See :class:`Operator`."""
        self._operator.asked_enough()

    def confirm(self, text: str) -> bool:
        """Note and ask; see :class:`Operator`."""
        self._note(text)
        return self._operator.confirm(text)

    def set_feed(self, text: str, *, lamp: bool) -> bool:
        """Note and ask; see :class:`Operator`."""
        self._note(text)
        return self._operator.set_feed(text, lamp=lamp)

    def turn(self, voltage_v: float, text: str) -> None:
        """Tell; see :class:`Operator`."""
        self._operator.turn(voltage_v, text)

    def power_on(self, step: str) -> None:
        """Tell; see :class:`Operator`."""
        self._operator.power_on(step)

    def power_off(self, *, confirmed: bool) -> None:
        """Tell; see :class:`Operator`."""
        self._operator.power_off(confirmed=confirmed)

    def _note(self, text: str) -> None:
        self._context.event(EventKind.QUESTION, " ".join(text.split()))  # a line of the journal
