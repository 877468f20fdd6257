from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest

from harness.new.drafts import Nameplate, draft_profile
from harness.profile.drafted import MARK, drafted_figures
from harness.profile.load import load_profile
from harness.shipped import shipped_names

if TYPE_CHECKING:
    from harness.profile.schema import Profile

ProfileOf = Callable[..., "Profile"]
BOARD = Nameplate(
    title="Mount controller board",
    kind="dc",
    nominal_v=24.0,
    tolerance_frac=0.1,
    current_a=1.2,
    output_v=5.0,
    output_a=2.0,
)


class TestMark:
    @pytest.mark.parametrize(
        ("change", "found"),
        [
            (
                ('low = "4.90 V"', 'low = "4.90 V"  # CHECK: 3 % below'),
                ["check '5 V rail' of step 2 (nominal), line 31"],
            ),
            (
                ('power   = "36 W"', 'power = "36 W" # a quarter over. CHECK'),
                ["envelope.power, line 11"],
            ),
            (
                ('current_limit = "0.30 A"', 'current_limit = "0.30 A"  # CHECK'),
                ["current_limit of step 1 (start), line 16"],
            ),
            (('"5 V rail"', '"5 V # CHECK rail"'), []),
            (("[envelope]", "# CHECK every figure\n[envelope]"), []),
            (('low = "4.90 V"', 'low = "4.90 V"  # CHECKED by two'), []),
            (('low = "4.90 V"', 'low = "4.90 V"  # check'), []),
            (("\n[envelope]", '\n[envelope]  # "CHECK"'), ["envelope, line 8"]),
        ],
    )
    def test_is_a_word_in_the_comment_behind_a_figure(
        self, profile_of: ProfileOf, change: tuple[str, str], found: list[str]
    ) -> None:
        """The mark counts behind a key, as a whole word; not in a text, nor in prose."""
        assert list(drafted_figures(profile_of("dc", change))) == found

    def test_both_limits_of_a_check_are_one_entry(self, profile_of: ProfileOf) -> None:
        """A check whose two limits are drafted is named once, with both lines."""
        both = (('low = "4.90 V"', 'low = "4.90 V" # CHECK'), ('"5.10 V"', '"5.10 V" # CHECK'))

        assert list(drafted_figures(profile_of("dc", *both))) == [
            "check '5 V rail' of step 2 (nominal), lines 31 and 32"
        ]

    def test_windows_lines_are_lines(self, written: Callable[[str], str]) -> None:
        """A file with carriage returns bears its marks as well."""
        text = draft_profile(BOARD, sample_s=0.01)
        plain, windows = (
            list(drafted_figures(load_profile(written(each))))
            for each in (text, text.replace("\n", "\r\n"))
        )

        assert plain == windows != []

    def test_a_draft_bears_it_behind_every_assumed_figure(
        self, written: Callable[[str], str]
    ) -> None:
        """What a draft marks is found, every line of it, until the marks are taken away."""
        text = draft_profile(BOARD, sample_s=0.01)
        found = list(drafted_figures(load_profile(written(text))))

        assert any("check 'idle power' of step 2 (nominal)" in one for one in found)
        assert any("check 'output voltage' of step 2 (nominal)" in one for one in found)
        assert list(drafted_figures(load_profile(written(text.replace(MARK, "mine"))))) == []

    @pytest.mark.parametrize(
        "name",
        [
            name
            for name in shipped_names("profiles")
            if "/" not in name and not name.startswith("bench-")
        ],
    )
    def test_no_shipped_profile_bears_one(self, name: str) -> None:
        """A profile that comes with the program is no draft."""
        assert list(drafted_figures(load_profile(name))) == []
