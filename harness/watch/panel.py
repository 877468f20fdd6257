"""A run on a terminal: what is seen of it as lines that fit, power first of all.

Colour only underlines what the words say; without it, nothing is lost.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Iterator
from typing import NamedTuple

from rich.console import Console
from rich.text import Text

from harness.watch.view import Gauge, View

#: The keys that switch off, as the screen names them.
KEYS = "SPACE, Q or ESC"
#: What a person who types with power on must know: the keys go on switching off.
NO_SPACES = f"type without spaces: {KEYS} switches off"
#: Looks of the bar by what is known of the output; of verdicts.
_POWER = {"on": "bold reverse red", "off": "bold", "unconfirmed": "bold reverse blink red"}
_POWER["unknown"] = _POWER["unconfirmed"]
_VERDICT = {"pass": "green", "fail": "bold red", "undecided": "yellow"}
#: Below this width there is room for figures and bars, not for what belongs to them.
_WIDE = 60
#: Filled, empty, and the mark of what is set; and where the terminal cannot show them.
_GLYPHS, _ASCII = ("█", "·", "┃"), ("#", ".", "|")
#: Lines kept for what happened last.
_NEWS = 4
#: Lines of a reason on a wide and a narrow terminal.
_REASON, _REASON_NARROW = 3, 4


def heading(view: View, width: int) -> list[Text]:
    """Return the lines that stay above everything else: power, and which unit it is."""
    lines = [*_bar(view, width), Text.assemble((view.serial, "bold"), "  ", view.title)]
    for line in lines:
        line.truncate(width)
    return lines


class Question(NamedTuple):
    """What is asked while power is on."""

    text: str
    problem: str  # with the last answer; empty: none
    typed: str  # so far


def panel(
    view: View,
    width: int,
    height: int,
    question: Question | None = None,
    *,
    ascii_only: bool = False,
) -> list[Text]:
    """Return at most so many lines, each at most so wide; a question stands above the figures."""
    glyphs = _ASCII if ascii_only else _GLYPHS
    head = [*_bar(view, width), *_where(view, width, question)]
    body = [Text(), *_gauges(view, width, glyphs)] if view.ending is None else []
    tail = [*_next(view, width)]
    room = height - len(head) - len(body) - len(tail)
    middle = [*_checks(view, width, room - (0 if view.ending else _NEWS))]
    room -= len(middle)
    figures = [*_figures(view, width, room - (0 if view.ending else _NEWS))]
    room -= len(figures)
    middle += figures
    middle += _news(view, width, room)
    lines = [*head, *body, *middle, *tail]
    for line in lines:
        line.truncate(width, overflow="crop" if ascii_only else "ellipsis")
    return lines[:height]


def rendered(lines: list[Text], width: int) -> str:
    """Return lines as the terminal takes them, joined by line ends; NO_COLOR is kept to."""
    console = Console(
        file=io.StringIO(), force_terminal=True, width=width, highlight=False, legacy_windows=False
    )
    with console.capture() as shown:
        for line in lines:
            console.print(line, end="\n", no_wrap=True, overflow="crop", crop=True)
    return shown.get().removesuffix("\n")


def _bar(view: View, width: int) -> Iterator[Text]:
    style = _POWER[view.power]
    hint = f"{KEYS} switches off" if view.power == "on" else ""
    words = f" {view.power_words}"
    gap = width - len(words) - len(hint) - 1
    if gap >= 2 or not hint:
        yield Text(f"{words}{' ' * gap}{hint} ", style)
        return
    yield Text(words.ljust(width), style)
    yield Text(f" {hint}"[:width].ljust(width), style)


def _asked(question: Question, width: int) -> Iterator[Text]:
    yield Text()
    for line in question.text.splitlines():
        yield from _folded(line.strip(), width, "bold")
    if question.problem:
        yield from _folded(question.problem, width, "yellow")
    yield Text(f"  {NO_SPACES}", "dim")
    yield Text(f"  > {question.typed}_", "bold")


def _where(view: View, width: int, question: Question | None) -> Iterator[Text]:
    yield Text.assemble((view.serial, "bold"), "  ", view.title)
    step = f"{view.step}: {view.level}" if view.level else view.step or "before the first step"
    yield Text(_ends(step, view.elapsed_text, width))
    if view.ending is not None:
        yield Text.assemble((view.ending.word.upper(), f"bold {_VERDICT[view.ending.mark]}"))
        yield from _folded(view.ending.reason, width, "")
        return
    if question is not None:
        yield from _asked(question, width)
        return
    yield Text(view.doing, "bold")
    yield from _folded(view.why, width, "")
    if view.problem:
        yield from _folded(view.problem, width, "yellow")


def _folded(text: str, width: int, style: str) -> Iterator[Text]:
    most = _REASON if width >= _WIDE else _REASON_NARROW
    longest = max(map(len, text.split()), default=0)
    indent = "  " if longest <= width - 2 else ""  # an address stays on one line, to be copied
    room = width - len(indent)
    for line in textwrap.wrap(
        text, room, max_lines=most, placeholder=" ...", break_on_hyphens=False
    ):
        yield Text(f"{indent}{line}", style)


def _ends(left: str, right: str, width: int) -> str:
    """Return two texts at the two ends of a line; the right one is kept whole."""
    room = width - len(right) - 1
    return f"{left[:room]:{room}} {right}" if room > 0 else left


def _gauges(view: View, width: int, glyphs: tuple[str, str, str]) -> Iterator[Text]:
    for gauge in view.gauges:
        beside = f"of {gauge.bound_text}" if gauge.bound_text else ""
        limit = ""
        if gauge.limit_text:
            limit = f"{'set' if gauge.name == 'voltage' else 'limit'} {gauge.limit_text}"
        yield _line(gauge.name, gauge.text, _drawn(gauge, glyphs, width), (beside, limit), width)
    if view.allowance_frac is not None:
        share = f"{100 * view.allowance_frac:.0f} %"
        bar = _bar_of(view.allowance_frac, None, glyphs, width)
        yield _line("allowance", share, bar, ("used", ""), width)
    if view.held_frac is not None:
        share = f"{100 * view.held_frac:.0f} %"
        bar = _bar_of(view.held_frac, None, glyphs, width)
        yield _line("hold", share, bar, ("", ""), width)
        yield Text(f"{'':9}{view.held_text}")
    others = [f"{name} {text}" for name, text in view.others]
    if view.age_text:
        others.append(view.age_text)
    yield Text("   ".join(others))


def _line(name: str, figure: str, bar: str, beside: tuple[str, str], width: int) -> Text:
    text = f"{name:9}{figure:>10} {bar}"
    if width >= _WIDE:
        text += f" {beside[0]:<11}{beside[1]}"
    return Text(text.rstrip())


def _room(width: int) -> int:
    return max(width - (9 + 11 + (27 if width >= _WIDE else 0)), 4)


def _drawn(gauge: Gauge, glyphs: tuple[str, str, str], width: int) -> str:
    most = gauge.bound or gauge.limit or 0.0
    if most <= 0:
        return glyphs[1] * _room(width)
    limit = None if gauge.limit is None else gauge.limit / most
    return _bar_of((gauge.value or 0.0) / most, limit, glyphs, width)


def _bar_of(frac: float, limit: float | None, glyphs: tuple[str, str, str], width: int) -> str:
    room = _room(width)
    full, empty, mark = glyphs
    filled = min(max(round(frac * room), 1 if frac > 0.002 else 0), room)
    cells = [full] * filled + [empty] * (room - filled)
    if limit is not None:
        cells[min(max(round(limit * room) - 1, 0), room - 1)] = mark
    return "".join(cells)


def _checks(view: View, width: int, room: int) -> Iterator[Text]:
    """Yield the latest checks, newest last, with a line above them."""
    if room < 2 or not view.checks:
        return
    shown = view.checks[-(room - 1) :]
    done = len(view.checks)
    yield Text(f"checks, the last {len(shown)} of {done}" if done > len(shown) else "checks", "dim")
    names = max(min(max(len(check.name) for check in shown), width // 2 - 10), 8)
    for check in shown:
        line = Text(f"{check.verdict:9} ", _VERDICT[check.verdict])
        line.append(f"{check.name[:names]:{names}}  {check.found}", "default not bold")
        if width >= _WIDE:
            line.append(f"  ({check.wanted})", "dim")
        yield line


def _figures(view: View, width: int, room: int) -> Iterator[Text]:
    """Yield what the start told of the unit, those with a value first, with a line above them."""
    if room < 2 or not view.figures:
        return
    rows = sorted(view.figures, key=lambda row: not row.found)[: room - 1]
    yield Text(f"figures of the unit, by the {' and '.join(_steps(view))}", "dim")
    for row in rows:
        text = row.found or f"none: {row.why_not}"
        line = Text(f"{row.name[:21]:21}  {text}", "" if row.found else "dim")
        beside = [f"nameplate {row.nameplate}"] if row.nameplate and row.found else []
        beside += [f"before {each}" for each in row.earlier[:1]]
        for told in beside:  # as much as there is room for
            if len(line) + 2 + len(told) <= width:
                line.append(f"  {told}", "dim")
        yield line


def _steps(view: View) -> Iterator[str]:
    yield from dict.fromkeys(row.of for row in view.figures)


def _news(view: View, width: int, room: int) -> Iterator[Text]:
    if room < 2 or view.ending is not None:
        return
    yield Text("what happened", "dim")
    for one in view.news[-(room - 1) :]:
        yield Text(f"{one.time_s:8.1f} s  {one.words}"[:width], "dim")


def _next(view: View, width: int) -> Iterator[Text]:
    ahead = ((step, level) for step in view.plan for level in step.levels if level.state == "ahead")
    if view.ending is not None or not view.plan:
        return
    found = next(ahead, None)
    if found is None:
        yield Text(_ends("next: power off", view.left_text, width), "dim")
        return
    step, level = found
    known = step.state == "now" or step.name == level.label
    where = level.label if known else f"{step.name}, {level.label}"
    yield Text(_ends(f"next: {where}: {level.text}", view.left_text, width), "dim")
