from __future__ import annotations

import json
import re
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from harness.record.recorder import Recorder
from harness.record.seal import sealed
from harness.record.sink import Sink
from harness.record.tables import load
from harness.report.decimated_trend import DecimatedTrend
from harness.report.page import RunReport, report_from_record, report_html

MakeRecord = Callable[..., Path]
EVIL = "<script>alert('HRW')</script>\"'&\u202e"


class Page(HTMLParser):
    """Collects tags, attributes and text of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.attributes: list[tuple[str, str]] = []
        self.words = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note a tag and its attributes."""
        self.tags.add(tag)
        self.attributes += [(name, value or "") for name, value in attrs]

    def handle_data(self, data: str) -> None:
        """Note text."""
        self.words += data


def page(folder: Path) -> Page:
    return Page((folder / "report.html").read_text(encoding="utf-8"))


class TestContent:
    @pytest.mark.parametrize(
        "text",
        [
            "Released",
            "Mount controller board, 24 V DC in, 5 V DC out",
            "HRW-0007",
            "2026-11-25 06:31:19",
            "in: 24 V DC 1.2 A; main: 5 V DC 2 A; class III",
            "Harrow Point Workshop,PS-200,SIM-0001,1.0",
            "voltage 0.05 % + 10 mV",
            "2027-05-01",
            "5.0130 ± 0.0035 V",
            "4.9 V to 5.1 V",
            "Guarded rule",
            "Discharge and measure before touching.",
            "power off",
            "SHA-256 abababab",
            "local codes and licensed practice come first",
        ],
    )
    def test_the_report_says_who_what_when_and_how(
        self, make_record: MakeRecord, text: str
    ) -> None:
        """Verdict, unit, time, instruments, checks, rule, cautions and hashes are on the page."""
        assert text in page(make_record()).words

    def test_a_run_cut_short_has_no_verdict_on_the_unit(self, make_record: MakeRecord) -> None:
        """A run whose power was cut says beneath its headline that the unit has no verdict."""
        words = page(make_record(outcome="tripped", verdict="undecided")).words

        assert "power was cut; no verdict on the unit" in words
        assert "no verdict on the unit" not in page(make_record()).words

    def test_accuracy_by_range_and_leads_are_said(self, make_record: MakeRecord) -> None:
        """Every measuring range of a meter, its resolution and its leads stand on the page."""
        wide = {"reading_frac": 0.001, "fixed": 0.01, "up_to": 100.0, "wider": None}
        meter = {
            "accuracy": {
                "voltage_dc": {"reading_frac": 0.0, "fixed": 0.001, "up_to": 10.0, "wider": wide}
            },
            "resolution": {"voltage_dc": 1e-4},
            "lead_resistance_ohm": 0.2,
        }
        words = page(make_record(bench={"name": "bench 2", "meter": meter})).words

        assert "voltage DC 1 mV up to 10 V, 0.1 % + 10 mV up to 100 V" in words
        assert "voltage DC in steps of 100 uV" in words
        assert "two-wire leads up to 200 mohm" in words

    def test_each_limit_says_where_it_comes_from(
        self, tmp_path: Path, account: Callable[..., dict[str, Any]], row: Callable[..., Any]
    ) -> None:
        """Beneath a check stands the number of its source; each source is told once."""
        recorder = Recorder(
            tmp_path, serial="7", started=account()["started_utc"], renderer=RunReport()
        )
        recorder.check(row(source="nameplate, from memory"))
        recorder.check(row(check="5 V ripple"))
        recorder.check(row(check="5 V rail, loaded", source="nameplate, from memory"))
        folder = recorder.finish(account())

        for words in (page(folder).words, Page(report_from_record(load(folder)).decode()).words):
            for check, number in (("5 V rail", 1), ("5 V ripple", 2), ("5 V rail, loaded", 1)):
                assert f"{check}nominallimits: source ({number})" in words
            told = words.partition("Where the limits come from:")[2].split()
            assert " ".join(told[:6]) == "(1) nameplate, from memory (2) not"
            assert words.count("nameplate, from memory") == 1

    def test_a_record_from_before_there_were_sources_says_nothing_of_them(
        self, make_record: MakeRecord
    ) -> None:
        """Where nobody was asked for sources, none is missing."""
        folder = make_record()
        facts = json.loads((folder / "run.json").read_bytes())
        del facts["limit_sources"], facts["seal"]
        (folder / "run.json").write_bytes(sealed(facts))

        assert "limits: " not in Page(report_from_record(load(folder)).decode()).words

    def test_the_safety_tests_are_told(self, make_record: MakeRecord) -> None:
        """Whether they are in this record or by reference stands on the first page."""
        told = {"needed": ["t"], "missing": ["t"], "checks": [], "reference": "test sheet 118"}
        words = page(make_record(safety_tests=told)).words

        assert "Safety testsby reference, not looked at here: test sheet 118" in words

    def test_a_tester_is_among_the_instruments(self, make_record: MakeRecord) -> None:
        """What was read by hand is named with its serial number, its date and its checks."""
        tester = {
            "name": "insulation tester, 500 V",
            "serial": "HP-T3",
            "calibration_due": "2027-04-01",
            "accuracy": {"resistance": {"reading_frac": 0.05, "fixed": 5e4}},
            "checks": ["insulation resistance"],
        }
        words = page(make_record(testers={"insulation": tester})).words

        assert "insulation tester, 500 V, serial HP-T3" in words
        assert "for insulation resistance" in words
        assert "resistance 5 % + 50 kohm" in words
        assert "2027-04-01" in words

    def test_an_answer_has_no_ruler(
        self, tmp_path: Path, account: Callable[..., dict[str, Any]], row: Callable[..., Any]
    ) -> None:
        """A question answered by the operator shows the answer, and no ruler or probability."""
        recorder = Recorder(
            tmp_path, serial="7", started=account()["started_utc"], renderer=RunReport()
        )
        answer = {"value": 1.0, "unit": "1", "low": 1.0, "high": None, "uncertainty": 0.0}
        recorder.check(row(quantity="operator.yes_no", check="no soot", **answer))
        folder = recorder.finish(account())

        assert "yes expected" in page(folder).words
        assert 'class="ruler"' not in (folder / "report.html").read_text(encoding="utf-8")

    def test_it_needs_nothing_else(self, make_record: MakeRecord) -> None:
        """The page has no script and fetches nothing."""
        read = page(make_record())

        assert read.tags.isdisjoint({"script", "link", "img", "iframe", "object", "embed", "a"})
        assert [name for name, _ in read.attributes if name in {"src", "href"}] == []
        assert "url(" not in read.words

    def test_voltage_and_current_are_drawn(self, make_record: MakeRecord) -> None:
        """The supply's voltage and current stand in the plot, and the envelope beside them."""
        words = page(make_record()).words

        assert "Supply voltage, V" in words
        assert "Supply current, mA" in words
        assert "envelope 26.4 V" in words

    def test_it_never_calls_a_unit_safe(self, make_record: MakeRecord) -> None:
        """The page says what was measured; it does not call anything safe."""
        assert not re.search(r"\bsafe(ly)?\b", page(make_record()).words, re.IGNORECASE)

    def test_a_rehearsal_is_marked(self, make_record: MakeRecord) -> None:
        """A rehearsal that passed everything says in large letters that it is one."""
        words = page(make_record(rehearsal=True)).words

        assert "REHEARSAL" in words
        assert "Rehearsal passed" in words
        assert "Released" not in words

    def test_a_run_without_readings_has_no_plot(
        self, tmp_path: Path, account: Callable[..., dict[str, Any]]
    ) -> None:
        """A refused run says that there are no readings."""
        recorder = Recorder(
            tmp_path, serial="7", started=account()["started_utc"], renderer=RunReport()
        )
        folder = recorder.finish(account(outcome="refused", verdict="undecided"))

        assert "There are no readings" in page(folder).words


@pytest.mark.parametrize(("rule", "other"), [("simple", "Guarded"), ("guarded", "Simple")])
def test_only_the_rules_used_are_explained(
    account: Callable[..., dict[str, Any]], row: Callable[..., Any], rule: str, other: str
) -> None:
    """A run judged by one rule explains that one, once."""
    facts = account(run_id="x", serial="7", released=False)
    text = report_html(facts, [row(rule=rule), row(rule=rule)], DecimatedTrend(), {}).decode()

    assert text.count(f"{rule.capitalize()} rule: a check passes") == 1
    assert f"{other} rule: a check passes" not in text


class TestEscaping:
    def test_nothing_from_outside_becomes_markup(
        self,
        tmp_path: Path,
        account: Callable[..., dict[str, Any]],
        row: Callable[..., Any],
    ) -> None:
        """Hostile text in every place it can come from stays text, and is seen."""
        told = account(
            title=EVIL,
            operator=EVIL,
            reason=EVIL,
            warnings=[EVIL],
            notes=[EVIL],
            cautions=[EVIL],
            fault=EVIL,
            rehearsal=True,
            identities={"supply": EVIL},
            calibration={"supply": EVIL},
            versions={EVIL: EVIL},
            profile={"source": EVIL, "sha256": EVIL, "text": EVIL},
            bench={"name": EVIL, "supply": {"resource": EVIL, "accuracy": {EVIL: {}}}},
        )
        recorder = Recorder(
            tmp_path, serial=EVIL, started=told["started_utc"], renderer=RunReport()
        )
        recorder.event(0.0, EVIL, EVIL, EVIL)
        for time_s in (0.0, 9.0):
            recorder.sample(time_s, EVIL, EVIL, (("voltage", 1.0, "V"),), "supply")
        recorder.check(row(step=EVIL, check=EVIL))

        folder = recorder.finish(told)

        read = page(folder)
        assert "script" not in read.tags
        assert not any(name.startswith("on") for name, _ in read.attributes)
        assert read.words.count("<script>alert('HRW')</script>") > 15
        assert "\u202e" not in read.words

    @pytest.mark.parametrize("junk", ["", [], None, 7])
    def test_an_odd_account_still_gives_a_page(
        self, account: Callable[..., dict[str, Any]], junk: object
    ) -> None:
        """Facts of the wrong kind leave gaps in the page, never an error at the end of a run."""
        odd = dict.fromkeys(
            ("unit", "bench", "identities", "calibration", "envelope", "profile", "versions"), junk
        )
        facts = account(**odd, run_id="x", serial="7", released=False)

        assert b"not given" in report_html(facts, [], DecimatedTrend(), {})


class TestPaper:
    def test_the_page_prints_on_any_paper(self, make_record: MakeRecord) -> None:
        """The page sets margins and no size of paper, and keeps rows and plots in one piece."""
        text = (make_record() / "report.html").read_text(encoding="utf-8")

        assert re.search(r"@page \{ margin: [^;]*mm;", text)
        assert not re.search(r"[ ;{]size:", text)
        assert "break-inside: avoid" in text


def test_a_long_run_leaves_a_short_page(
    tmp_path: Path, play: Callable[[Sink], None], account: Callable[..., dict[str, Any]]
) -> None:
    """Thirty thousand readings and a thousand events make a page of a few dozen kilobytes."""
    recorder = Recorder(
        tmp_path, serial="7", started=account()["started_utc"], renderer=RunReport()
    )
    for number in range(30_000):
        values = (("voltage", number % 7, "V"), ("current", number % 5, "A"))
        recorder._renderer.sample(number / 100, "soak", values, "supply")
    for number in range(1000):
        recorder._renderer.event(number, "settled", "soak", "")
    play(recorder)

    folder = recorder.finish(account())

    assert (folder / "report.html").stat().st_size < 100_000


def test_a_reason_of_several_lines_stands_on_several(make_record: MakeRecord) -> None:
    """Each open point of the reason begins a line of its own, and no escape shows."""
    folder = make_record(reason="one point is open:\nBR1 was not replaced.")
    text = (folder / "report.html").read_text(encoding="utf-8")

    assert '<p class="reason">one point is open:<br>BR1 was not replaced.</p>' in text
