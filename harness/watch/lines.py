"""A run in plain lines, for a pipe or a terminal that cannot do more."""

from __future__ import annotations

from harness.watch.fold import News, Output
from harness.watch.view import View

_POWER = {Output.OFF: "output off", Output.ON: "POWER ON", Output.UNCONFIRMED: "CUT MAINS"}


def news_line(one: News) -> str:
    """Return one thing that happened as a line."""
    return f"{one.time_s:9.3f} s  {_POWER[one.output]:11} {one.words}\n"


def state_line(view: View) -> str:
    """Return where the run stands as a line, power first."""
    figures = ", ".join(gauge.text for gauge in view.gauges if gauge.value is not None)
    told = (view.power_words, view.step, view.doing, figures, view.held_text, view.left_text)
    return "; ".join(filter(None, told)) + "\n"
