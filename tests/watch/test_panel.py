from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from rich.cells import cell_len

from harness.record.figures import figures_detail, known_detail
from harness.watch.address import new_token
from harness.watch.panel import Question, heading, panel, rendered
from harness.watch.view import view_of
from tests.record.test_figures import KNOWN, TOLD
from tests.watch.conftest import Replay
from tests.watch.test_view import ENTERED, HOSTILE, PLAN, folded


def seen_lines(fold: object, width: int, height: int, **how: bool) -> list[str]:
    """Return the panel of a fold as plain lines."""
    return [line.plain for line in panel(view_of(fold, 2.0), width, height, **how)]  # type: ignore[arg-type]


class TestPanel:
    @pytest.mark.parametrize(("width", "height"), [(80, 23), (40, 23), (120, 40), (30, 6)])
    @pytest.mark.parametrize("fault", [None, "shorted-varistor"])
    def test_it_fits_at_every_moment(
        self,
        record: Callable[..., Path],
        replay: Replay,
        width: int,
        height: int,
        fault: str | None,
    ) -> None:
        """At each event of a run no line is too long, none too many, and power is first of all."""
        told = 0
        for fold, time_s in replay(record("dome-shutter-power-unit", fault)):
            if fold.happened == told:
                continue
            told = fold.happened
            lines = panel(view_of(fold, time_s), width, height)
            assert len(lines) <= height
            assert max(cell_len(line.plain) for line in lines) <= width
            power = "POWER ON" if fold.output == "on" else "OUTPUT OFF"
            assert power in lines[0].plain

    def test_a_long_title_takes_no_room_from_anything_else(self) -> None:
        """Hostile and endless names are cut to their line."""
        plan = PLAN | {"serial": HOSTILE * 9, "title": "漢字" * 99}
        fold = folded(*ENTERED, plan=plan)

        assert all(cell_len(line) <= 40 for line in seen_lines(fold, 40, 23))
        assert len(seen_lines(fold, 40, 23)) <= 23

    def test_it_names_the_keys_that_switch_off(self) -> None:
        """While power is on the keys that switch off stand beside it, wide or narrow."""
        for width in (80, 40):
            told = " ".join(seen_lines(folded(*ENTERED), width, 23)[:2])
            assert "SPACE, Q or ESC switches off" in told

    @pytest.mark.parametrize(("width", "height"), [(80, 23), (40, 23)])
    def test_a_question_with_power_on(self, width: int, height: int) -> None:
        """Power and its keys stay first, the question has its answer so far, the figures stay."""
        asked = Question("Temperature of the heat sink?", "", "41.")
        lines = panel(view_of(folded(*ENTERED), 2.0), width, height, asked)
        told = [line.plain for line in lines]

        assert "POWER ON" in told[0]
        assert "switches off" in " ".join(told[:2])
        assert "  > 41._" in told
        assert any("Temperature of the heat sink?" in line for line in told)
        assert any(line.startswith("voltage") for line in told)
        assert len(lines) <= height
        assert max(cell_len(line) for line in told) <= width

    def test_an_address_is_never_broken(self) -> None:
        """The page's address, whatever hyphens its token has, stands on one line of 40 columns."""
        address = f"http://127.0.0.1:65535/{'-' * len(new_token())}/"
        fold = folded(*ENTERED)
        lines = panel(replace(view_of(fold, 2.0), problem=f"watch {address}"), 40, 23)

        assert address in [line.plain for line in lines]

    def test_words_say_it_all(self) -> None:
        """Without a colour the words are the same, and no sequence sets one."""
        with pytest.MonkeyPatch.context() as patch:
            patch.setenv("NO_COLOR", "1")
            shown = rendered(panel(view_of(folded(*ENTERED), 2.0), 80, 23), 80)

        assert "POWER ON" in shown
        assert "\x1b[31" not in shown
        assert ";31" not in shown

    def test_a_terminal_without_blocks_gets_plain_characters(self) -> None:
        """Where the encoding has no blocks, bars and marks are ASCII."""
        lines = seen_lines(folded(*ENTERED), 80, 23, ascii_only=True)

        assert "".join(lines).isascii()

    def test_the_heading_is_power_and_unit(self) -> None:
        """What stays above a question says POWER ON or OUTPUT OFF, and which unit it is."""
        lines = [line.plain for line in heading(view_of(folded(*ENTERED), 2.0), 80)]

        assert lines[0].startswith(" POWER ON")
        assert lines[1] == "HRW-0007  Mount controller board"


class TestFigures:
    @pytest.mark.parametrize(("width", "height"), [(80, 23), (40, 23), (30, 6)])
    def test_what_the_start_told_has_its_lines(self, width: int, height: int) -> None:
        """Figures with their uncertainty come before those without, in lines that fit."""
        told = (2.0, "figures", figures_detail(TOLD))
        lines = seen_lines(
            folded(*ENTERED, told, plan=PLAN | {"known": known_detail(KNOWN)}), width, height
        )

        assert all(cell_len(line) <= width for line in lines)
        assert len(lines) <= height
        if height > 6:
            at = lines.index("figures of the unit, by the start"[:width])
            assert lines[at + 1].startswith("bulk capacitance       466.0 ± 9.0 uF"[:width])
            assert lines[at + 2].startswith("series resistance      none: ")
        if width == 80:
            assert lines[at + 1].endswith("nameplate 470 uF (agrees)")
